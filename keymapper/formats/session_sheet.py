"""`session.json`: a session sheet as JSON, written and read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from keymapper.errors import InputError
from keymapper.formats.toml_tables import read_toml_table
from keymapper.formats.versioned_json import JsonForm, json_bytes, read_json
from keymapper.model.keys import is_key
from keymapper.model.session import SHEET_FORMAT_VERSION, NoteRole, SessionSheet

_FORM = JsonForm(
    model=SessionSheet,
    version=SHEET_FORMAT_VERSION,
    name="session sheet",
    remedy="plan the session again",
    most_bytes=64 << 20,
)


def session_sheet_json(sheet: SessionSheet) -> bytes:
    """Return the sheet as indented JSON, ending in a newline."""
    return json_bytes(sheet)


def read_session_sheet(path: Path) -> SessionSheet:
    """Read and check a session sheet.

    Raises
    ------
    InputError
        Not such a file, of a newer format version, or with values that no session can have.
    """
    sheet = read_json(path, _FORM)
    problem = _impossible(sheet)
    if problem:
        raise InputError(f"{path}: {problem}.")
    return sheet


def read_session_table(path: Path) -> dict[str, Any]:
    """Return the `[session]` table of a recipe; empty where it has none.

    Raises
    ------
    InputError
        There is no such file, or it is not TOML.
    UsageError
        `session` is something else than a table.
    """
    return read_toml_table(path, "session")


def _impossible(sheet: SessionSheet) -> str | None:
    """Return what is wrong with the values of a sheet, or None."""
    if not sheet.notes:
        return "the plan holds no notes"
    if len(sheet.patch_starts_seconds) != len(sheet.patches):
        return "patches and patch_starts_seconds differ in number"
    last_on = 0.0
    first_index: dict[tuple[NoteRole, int, int, int, int], int] = {}
    for index, note in enumerate(sheet.notes):
        if not (is_key(note.key) and is_key(note.key + sheet.transpose)):
            return f"note {index}: key {note.key} lies outside 0..127"
        if not 1 <= note.velocity <= 127:
            return f"note {index}: velocity {note.velocity} lies outside 1..127"
        if note.round_robin < 1:
            return f"note {index}: round_robin {note.round_robin} is below 1"
        if not 0 <= note.patch < len(sheet.patches):
            return f"note {index}: there is no patch {note.patch}"
        if not last_on <= note.on_seconds < note.off_seconds <= note.until_seconds < 1e6:
            return f"note {index}: its times are not in order"
        last_on = note.on_seconds
        identity = (note.role, note.patch, note.key, note.velocity, note.round_robin)
        first = first_index.setdefault(identity, index)
        if first != index:
            return f"notes {first} and {index} have the same key, velocity and round_robin"
    return None
