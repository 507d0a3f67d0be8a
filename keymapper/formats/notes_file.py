"""`notes.json`: what slicing found, as JSON, written and read."""

from __future__ import annotations

from pathlib import Path

from keymapper.errors import InputError
from keymapper.formats.versioned_json import JsonForm, json_bytes, read_json
from keymapper.model.session import NOTES_FORMAT_VERSION, CutReport

NOTES_NAME = "notes.json"
_FORM = JsonForm(
    model=CutReport,
    version=NOTES_FORMAT_VERSION,
    name="list of notes",
    remedy="slice the take again",
    most_bytes=256 << 20,
)


def notes_json(report: CutReport) -> bytes:
    """Return the report as indented JSON, ending in a newline."""
    return json_bytes(report)


def read_notes(path: Path) -> CutReport:
    """Read a `notes.json`.

    Raises
    ------
    InputError
        Not such a file, of a newer format version, or naming a file outside its own folder.
    """
    report = read_json(path, _FORM)
    for note in report.notes:
        if note.file is not None and not _stays_inside(note.file):
            raise InputError(f"{path}: names a file outside its folder: {note.file!r}.")
    return report


def _stays_inside(name: str) -> bool:
    parts = name.replace("\\", "/").split("/")
    return bool(name) and ".." not in parts and not name.startswith(("/", "\\")) and ":" not in name
