"""The files of a pack that are neither instruments nor previews: booklet, licence, cover."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from keymapper.errors import InputError, UsageError
from keymapper.formats.midi_file import read_midi_notes
from keymapper.model.pack import PackManifest, PackRecipe
from keymapper.packing.booklet import booklet_text
from keymapper.packing.booklet_page import booklet_page
from keymapper.packing.instrument import ReadyInstrument
from keymapper.packing.map_picture import map_zones
from keymapper.packing.rights import licence_text

BOOKLET_PAGE, BOOKLET_TEXT, LICENCE_NAME = "booklet.html", "booklet.txt", "LICENSE.txt"
_LARGEST_COVER, _LARGEST_LICENCE = 32 << 20, 1 << 20
_PICTURES = {b"\x89PNG\r\n\x1a\n": "cover.png", b"\xff\xd8\xff": "cover.jpg"}
PREVIEWS = "previews"


@dataclass(frozen=True, slots=True, kw_only=True)
class PackMaterials:
    """What the recipe names beside instruments."""

    cover_name: str | None
    cover: bytes
    licence: str | None


def pack_materials(recipe: PackRecipe, base: Path) -> PackMaterials:
    """Read the cover and the licence's text, and look whether the MIDI files can be played.

    Raises
    ------
    InputError
        A file is not there, too large, no text, or no MIDI file.
    UsageError
        The cover is no picture.
    """
    for instrument in recipe.instrument:
        if instrument.midi is not None:
            read_midi_notes(base / instrument.midi)
    name, cover = None, b""
    if recipe.cover is not None:
        cover = _read(base / recipe.cover, _LARGEST_COVER)
        name = next((name for magic, name in _PICTURES.items() if cover.startswith(magic)), None)
        if name is None:
            raise UsageError(f"{base / recipe.cover}: is neither PNG nor JPEG; convert the cover.")
    licence = None
    if recipe.licence_file is not None:
        path = base / recipe.licence_file
        try:
            licence = _read(path, _LARGEST_LICENCE).decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise InputError(f"{path}: is not UTF-8 text; save it as that.") from error
    return PackMaterials(cover_name=name, cover=cover, licence=licence)


def _read(path: Path, largest: int) -> bytes:
    try:
        if path.stat().st_size > largest:
            raise InputError(f"{path}: is larger than {largest >> 20} MB; make it smaller.")
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}).") from error


def documents(
    recipe: PackRecipe,
    materials: PackMaterials,
    instruments: Sequence[ReadyInstrument],
    manifest: PackManifest,
) -> dict[str, bytes]:
    """Return the documents of a pack by name."""
    page = booklet_page(
        manifest,
        [map_zones(one.reading.regions) for one in instruments],
        materials.cover_name,
        [
            f"{PREVIEWS}/{one.folder_name}" if packed.preview else None
            for one, packed in zip(instruments, manifest.instruments, strict=True)
        ],
    )
    files = {
        BOOKLET_PAGE: page.encode("utf-8"),
        BOOKLET_TEXT: booklet_text(manifest).encode("utf-8"),
        LICENCE_NAME: licence_text(recipe, materials.licence).encode("utf-8"),
    }
    if materials.cover_name is not None:
        files[materials.cover_name] = materials.cover
    return files
