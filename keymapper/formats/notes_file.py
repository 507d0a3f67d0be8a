"""`notes.json`: what slicing found, as JSON, written and read."""

from __future__ import annotations

from pathlib import Path

import msgspec

from keymapper.errors import InputError
from keymapper.model.session import NOTES_FORMAT_VERSION, CutReport

NOTES_NAME = "notes.json"
_MOST_BYTES = 256 << 20


def notes_json(report: CutReport) -> bytes:
    """Return the report as indented JSON, ending in a newline."""
    return msgspec.json.format(msgspec.json.encode(report), indent=2) + b"\n"


def read_notes(path: Path) -> CutReport:
    """Read a `notes.json`.

    Raises
    ------
    InputError
        Not such a file, of a newer format version, or naming a file outside its own folder.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(f"{path}: too large for a list of notes.")
        content = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}).") from error
    try:
        version = msgspec.json.decode(content, type=_Version).format_version
        if version > NOTES_FORMAT_VERSION:
            raise InputError(
                f"{path}: list of notes of format {version}, newer than this program knows "
                f"({NOTES_FORMAT_VERSION}); update it, or slice the take again."
            )
        report = msgspec.json.decode(content, type=CutReport)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        reason = str(error).replace("`", "'").splitlines()[0]
        raise InputError(f"{path}: not a list of notes ({reason}).") from error
    for note in report.notes:
        if note.file is not None and not _stays_inside(note.file):
            raise InputError(f"{path}: names a file outside its folder: {note.file!r}.")
    return report


class _Version(msgspec.Struct):
    format_version: int


def _stays_inside(name: str) -> bool:
    parts = name.replace("\\", "/").split("/")
    return bool(name) and ".." not in parts and not name.startswith(("/", "\\")) and ":" not in name
