"""Names in the pack: what every system takes, by one stated rule.

Every folder and file is named in ASCII letters, digits, dot, dash and underscore
(`mapping/safe_names.py`), suffixes in lower case; of names that differ by case alone the later one
gets a number. What already is so keeps its name. Below the folder it is unpacked into, no path of
a pack is longer than 200 characters, even with every part as long as it may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath

from keymapper.mapping.safe_names import safe_name, safe_names

MEDLEY = "medley"
LONGEST_PATH = 200
LONGEST_FOREIGN_PATH = 240
"""Paths in an archive that are longer are not looked at."""
LONGEST_TITLE = 32
LONGEST_FOLDER = 32
LONGEST_SAMPLE = 48
_LONGEST_INNER = 24
_LONGEST_EXTRA = 16


def folder_names(names: Sequence[str]) -> tuple[str, ...]:
    """Return a safe folder name for each instrument, no two alike, and none that of the medley."""
    return safe_names([MEDLEY, *names], longest=LONGEST_FOLDER, fallback="instrument")[1:]


def sample_names(files: Sequence[str]) -> dict[str, str]:
    """Return where each sample lies in its instrument's folder of the pack: below `samples/`.

    files : paths relative to the instrument's folder, with `/`.
    """
    renamed: dict[str, str] = {}
    taken: set[str] = set()
    for file in sorted(files, key=lambda file: (not _is_safe(PurePosixPath(file)), file)):
        inner, stem, suffix = _wanted(PurePosixPath(file))
        name, number = f"{inner}{stem}{suffix}", 2
        while name.casefold() in taken:
            ending = f"_{number}"
            room = LONGEST_SAMPLE - len(suffix) - len(ending)
            name = f"{inner}{stem[:room]}{ending}{suffix}"
            number += 1
        taken.add(name.casefold())
        renamed[file] = f"samples/{name}"
    return {file: renamed[file] for file in sorted(files)}


def _wanted(path: PurePosixPath) -> tuple[str, str, str]:
    """Return folder, stem and suffix that a sample gets if nothing else has them."""
    suffix = path.suffix.lower()
    return _inner_folder(path), safe_name(path.stem, longest=LONGEST_SAMPLE - len(suffix)), suffix


def _is_safe(path: PurePosixPath) -> bool:
    """Say whether the name of a sample is one that every system takes."""
    _, stem, suffix = _wanted(path)
    return (stem, suffix) == (path.stem, path.suffix)


def _inner_folder(path: PurePosixPath) -> str:
    """Return the folder a sample lies in below `samples/`: the last of its own, or none."""
    folders = [part for part in path.parts[:-1] if part.casefold() != "samples"]
    if not folders:
        return ""
    return safe_name(folders[-1], longest=_LONGEST_INNER, fallback="folder") + "/"


def top_folder(title: str, version: str, edition: str | None) -> str:
    """Return the name of top folder and archive; the edition where there are several."""
    parts = [
        safe_name(title, longest=LONGEST_TITLE, fallback="pack"),
        safe_name(version, longest=_LONGEST_EXTRA, fallback="0"),
    ]
    if edition is not None:
        parts.append(safe_name(edition, longest=_LONGEST_EXTRA, fallback="edition"))
    return "-".join(parts)
