"""The manifest: an instrument as strict JSON, and back."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from keymapper.errors import InputError
from keymapper.formats.json_numbers import has_huge_numbers
from keymapper.model.instrument import Manifest

MANIFEST_NAME = "manifest.json"
FORMAT = "keymapper-instrument"


def write_manifest(manifest: Manifest) -> str:
    """Return the manifest as indented JSON, ending in a line feed."""
    return pretty_json(msgspec.to_builtins(manifest))


def pretty_json(data: Any) -> str:
    """Return strict JSON (no NaN, no infinity), indented, ending in a line feed."""
    compact = json.dumps(data, ensure_ascii=False, allow_nan=False)
    return msgspec.json.format(compact, indent=2) + "\n"  # json itself takes long to indent


def read_manifest(text: str, where: str) -> Manifest:
    """Return the manifest that `write_manifest` wrote.

    Raises
    ------
    InputError
        The text is no manifest, or one of a version this tool does not know.
    """
    try:
        version = msgspec.json.decode(text, type=_Version)
        if version.format != FORMAT:
            raise InputError(f"{where}: is not a manifest of an instrument.")
        if version.format_version != 1:
            raise InputError(
                f"{where}: has format version {version.format_version}, newer than this tool; "
                "update it."
            )
        if has_huge_numbers(text):
            raise InputError(f"{where}: is not a valid manifest (no number in one is so large).")
        return msgspec.json.decode(text, type=Manifest)
    except (msgspec.MsgspecError, RecursionError) as error:
        raise InputError(f"{where}: is not a valid manifest ({error}).") from error


def manifest_beside(sfz: Path) -> Manifest | None:
    """Return the manifest that lies beside an SFZ file; None where there is none of ours.

    Raises
    ------
    InputError
        It is ours, and damaged or of another version.
    """
    path = sfz.parent / MANIFEST_NAME
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        return None
    return read_manifest(text, str(path)) if f'"{FORMAT}"' in text else None


def instrument_files(folder: Path) -> InstrumentFiles | None:
    """Return what an instrument in a folder is made of, whichever version wrote it.

    None where no manifest of ours lies there.
    """
    try:
        found = msgspec.json.decode((folder / MANIFEST_NAME).read_bytes(), type=_Sketch)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None
    if found.format != FORMAT:
        return None
    return InstrumentFiles(name=found.name, samples=tuple(note.sample.file for note in found.notes))


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentFiles:
    """The name of an instrument and its samples, relative to its folder."""

    name: str
    samples: tuple[str, ...]


class _SketchedFile(msgspec.Struct):
    file: str


class _SketchedNote(msgspec.Struct):
    sample: _SketchedFile


class _Sketch(msgspec.Struct):
    """The part of a manifest that every version has."""

    format: str
    name: str
    notes: list[_SketchedNote]


class _Version(msgspec.Struct):
    format: str = ""
    format_version: int = 0
