"""Find the packs in what is to be audited: instruments with their samples, or bare recordings.

A folder that holds an `.sfz` or a manifest is a pack when there are samples in it or below it,
else the nearest folder above it that has some (`Instruments/` beside `Samples/`). What no such
pack covers is a pack by each topmost folder that holds recordings.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from keymapper.errors import InputError
from keymapper.formats.audio_file import AUDIO_SUFFIXES
from keymapper.formats.folder import is_text, refuse_unreadable, spelled_out
from keymapper.formats.manifest import MANIFEST_NAME

MOST_FILES = 1_000_000
_ASIDE = frozenset({"preview", "previews", "demo", "demos", "docs", "midi", "__macosx"})
"""Folders whose sounds are no samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSource:
    """One pack before it is read; all paths relative to its root, with `/`, in name order."""

    root: Path
    name: str
    """Relative to what was asked for; "." is that itself."""
    instruments: tuple[str, ...]
    """SFZ files; the manifest where there is none."""
    manifest: str | None
    audio: tuple[str, ...]
    files: tuple[str, ...]
    """Every file of the pack that is not hidden."""
    links_out: tuple[str, ...]
    """Links that lead out of the pack; not opened."""
    unnamable: tuple[str, ...]
    """Files whose names are no valid text, spelled out; not opened."""


def find_packs(
    path: Path, *, pack_folder: Path | None = None, as_one: bool = False
) -> list[PackSource]:
    """Return the packs at a path, in name order.

    path : a folder, an `.sfz` file or a manifest.
    pack_folder : the folder an `.sfz` file may take its samples from; by default its own.
    as_one : take the whole folder as one pack.

    Raises
    ------
    InputError
        There is nothing to audit.
    """
    if path.is_file():
        return [_of_file(path, pack_folder)]
    if not path.is_dir():
        raise InputError(f"{path}: there is no such file or folder.")
    root = path.resolve()
    listing = _listing(root)
    if not any(one.audio or one.instruments for one in listing.values()):
        raise InputError(f"{path}: holds neither an .sfz file nor audio (WAV, AIFF, FLAC, OGG).")
    roots = [root] if as_one else _roots(root, listing)
    return [_source(one, root, listing) for one in roots]


def _of_file(path: Path, pack_folder: Path | None) -> PackSource:
    if path.suffix.lower() not in (".sfz", ".json"):
        raise InputError(f"{path}: is neither a folder, an .sfz file nor a manifest.")
    here = path.resolve().parent
    root = here if pack_folder is None else pack_folder.resolve()
    if not here.is_relative_to(root):
        raise InputError(f"{path}: does not lie in {pack_folder}; give the folder of its pack.")
    whole = _source(root, root, _listing(root))
    name = (here / path.name).relative_to(root).as_posix()
    is_manifest = path.suffix.lower() == ".json"
    return PackSource(
        root=root,
        name=".",
        instruments=(name,),
        manifest=name if is_manifest else whole.manifest,
        audio=whole.audio,
        files=whole.files,
        links_out=whole.links_out,
        unnamable=whole.unnamable,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Folder:
    """What one folder holds by itself."""

    audio: tuple[str, ...]
    instruments: tuple[str, ...]
    manifest: bool
    files: tuple[str, ...]
    links_out: tuple[str, ...]
    unnamable: tuple[str, ...]


def _listing(root: Path) -> dict[Path, _Folder]:
    """Return every folder below the root that is not hidden, in name order."""
    folders: dict[Path, _Folder] = {}
    count = 0
    for place, below, names in os.walk(root, onerror=refuse_unreadable):
        here = Path(place)
        below[:] = sorted(one for one in below if not one.startswith(".") and is_text(one))
        shown = [name for name in sorted(names) if not name.startswith(".")]
        count += len(shown)
        if count > MOST_FILES:
            raise InputError(f"{root}: holds more than {MOST_FILES} files; audit parts of it.")
        nameless = [name for name in shown if not is_text(name)]
        shown = [name for name in shown if is_text(name)]
        outside = [name for name in shown if _leaves(here / name, root)]
        inside = [name for name in shown if name not in outside and (here / name).is_file()]
        folders[here] = _Folder(
            audio=tuple(name for name in inside if _suffix(name) in AUDIO_SUFFIXES),
            instruments=tuple(name for name in inside if _suffix(name) == ".sfz"),
            manifest=MANIFEST_NAME in inside,
            files=tuple(inside),
            links_out=tuple(outside),
            unnamable=tuple(map(spelled_out, nameless)),
        )
    return folders


def _suffix(name: str) -> str:
    return Path(name).suffix.lower()


def _leaves(path: Path, root: Path) -> bool:
    try:
        return path.is_symlink() and not path.resolve().is_relative_to(root)
    except (OSError, RuntimeError):
        return True


def _roots(root: Path, listing: dict[Path, _Folder]) -> list[Path]:
    included = _instrument_folders(root, listing)
    with_audio = [folder for folder, content in listing.items() if content.audio]
    loose = _topmost(
        [folder for folder in with_audio if not any(folder.is_relative_to(one) for one in included)]
    )
    return sorted(_topmost([*included, *loose]))


def _instrument_folders(root: Path, listing: dict[Path, _Folder]) -> list[Path]:
    found = []
    for folder, content in listing.items():
        if not content.instruments and not content.manifest:
            continue
        at = folder
        while at != root and not _has_audio(at, listing):
            at = at.parent
        if _has_audio(at, listing):
            found.append(at)
        elif content.instruments:
            found.append(folder)
    return _topmost(found)


def _has_audio(folder: Path, listing: dict[Path, _Folder]) -> bool:
    return any(one.audio for place, one in listing.items() if place.is_relative_to(folder))


def _topmost(folders: list[Path]) -> list[Path]:
    chosen: list[Path] = []
    for folder in sorted(set(folders)):
        if not any(folder.is_relative_to(one) for one in chosen):
            chosen.append(folder)
    return chosen


def _source(pack: Path, root: Path, listing: dict[Path, _Folder]) -> PackSource:
    audio: list[str] = []
    instruments: list[str] = []
    files: list[str] = []
    links: list[str] = []
    nameless: list[str] = []
    manifest: str | None = None
    for folder, content in listing.items():
        if not folder.is_relative_to(pack):
            continue
        here = folder.relative_to(pack)
        if not _ASIDE & {part.lower() for part in here.parts}:
            audio += [(here / name).as_posix() for name in content.audio]
        instruments += [(here / name).as_posix() for name in content.instruments]
        files += [(here / name).as_posix() for name in content.files]
        links += [(here / name).as_posix() for name in content.links_out]
        nameless += [(here / name).as_posix() for name in content.unnamable]
        if content.manifest and manifest is None:
            manifest = (here / MANIFEST_NAME).as_posix()
    if not instruments and manifest is not None:
        instruments = [manifest]
    return PackSource(
        root=pack,
        name=pack.relative_to(root).as_posix(),
        instruments=tuple(sorted(instruments)),
        manifest=manifest,
        audio=tuple(sorted(audio)),
        files=tuple(sorted(files)),
        links_out=tuple(sorted(links)),
        unnamable=tuple(sorted(nameless)),
    )
