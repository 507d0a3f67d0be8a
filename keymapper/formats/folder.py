"""Find the recordings in a folder."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from keymapper.errors import InputError
from keymapper.formats.audio_file import AUDIO_SUFFIXES

RECIPE_NAME = "recipe.toml"
_COMPANIONS = frozenset({".toml", ".txt", ".md", ".json", ".mid", ".midi", ".pdf", ".html", ".sfz"})
"""Files that usually lie beside recordings: not worth a word."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundFiles:
    """Recordings in name order, relative to the folder with `/`, and what was passed over."""

    recordings: tuple[str, ...]
    passed_over: tuple[tuple[str, str], ...]
    """(file, reason)."""


def find_recordings(folder: Path, within: str = "") -> FoundFiles:
    """List the audio files of a folder and its sub-folders, whatever the order on disk.

    Hidden files and folders, links that leave the folder, and foreign files are passed over.

    within : a sub-folder to keep to; names stay relative to `folder`.

    Raises
    ------
    InputError
        There is no such folder, it leaves `folder`, or it holds no audio file.
    """
    root = folder.resolve()
    start = (root / within).resolve()
    if not start.is_dir():
        raise InputError(f"{folder / within}: there is no such folder.")
    if not start.is_relative_to(root):
        raise InputError(f"{folder / within}: lies outside {folder}; move it inside.")
    recordings: list[str] = []
    passed_over: list[tuple[str, str]] = []
    for place, folders, names in os.walk(start, onerror=refuse_unreadable):
        here = Path(place)
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        for name in sorted(names):
            relative = (here / name).relative_to(root).as_posix()
            if not is_text(relative):
                passed_over.append((spelled_out(relative), "its name is not valid text"))
                continue
            reason = _reason_to_pass_over(here / name, root)
            if reason is None:
                recordings.append(relative)
            elif reason:
                passed_over.append((relative, reason))
    if not recordings:
        raise InputError(_nothing_in(folder / within, sorted(passed_over)))
    return FoundFiles(
        recordings=tuple(sorted(recordings, key=_in_natural_order)),
        passed_over=tuple(sorted(passed_over)),
    )


def _nothing_in(folder: Path, passed_over: Sequence[tuple[str, str]]) -> str:
    if not passed_over:
        return f"{folder}: holds no audio file (WAV, AIFF, FLAC or OGG)."
    file, reason = passed_over[0]
    others = f", and {len(passed_over) - 1} more passed over" if len(passed_over) > 1 else ""
    return f"{folder}: holds no audio file that can be used ({file}: {reason}{others})."


def _in_natural_order(name: str) -> tuple[list[str | int], str]:
    """Return what sorts names as people count: "hit 2" before "hit 10"."""
    pieces = re.split(r"(\d+)", name)
    return [int(piece) if i % 2 else piece for i, piece in enumerate(pieces)], name


def _reason_to_pass_over(path: Path, root: Path) -> str | None:
    """Why a file is no recording; "" where that needs no word, None where it is one."""
    suffix = path.suffix.lower()
    if path.name.startswith("."):
        return "hidden" if suffix in AUDIO_SUFFIXES else ""
    if suffix not in AUDIO_SUFFIXES:
        return "" if suffix in _COMPANIONS else "not a WAV, AIFF, FLAC or OGG file"
    if path.is_symlink() and not path.resolve().is_relative_to(root):
        return "a link that leaves the folder"
    return None if path.is_file() else "not a regular file"


def is_text(name: str) -> bool:
    """Return False for bytes that are no UTF-8, which Python carries as lone surrogates."""
    return name == spelled_out(name)


def spelled_out(name: str) -> str:
    """Return a name with bytes that are no text spelled out."""
    return name.encode("utf-8", "backslashreplace").decode("utf-8")


def refuse_unreadable(error: OSError) -> None:
    """Turn what `os.walk` stumbles over into an error of ours."""
    raise InputError(f"{error.filename}: cannot be read ({error.strerror}).") from error
