"""`session.json`: a session sheet as JSON, written and read."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import msgspec

from keymapper.errors import InputError, UsageError
from keymapper.model.session import SHEET_FORMAT_VERSION, SessionSheet

_MOST_BYTES = 64 << 20


def session_sheet_json(sheet: SessionSheet) -> bytes:
    """Return the sheet as indented JSON, ending in a newline."""
    return msgspec.json.format(msgspec.json.encode(sheet), indent=2) + b"\n"


def read_session_sheet(path: Path) -> SessionSheet:
    """Read and check a session sheet.

    Raises
    ------
    InputError
        Not such a file, of a newer format version, or with values that no session can have.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(f"{path}: too large for a session sheet.")
        content = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}).") from error
    try:
        version = msgspec.json.decode(content, type=_Version).format_version
        if version > SHEET_FORMAT_VERSION:
            raise InputError(
                f"{path}: session sheet of format {version}, newer than this program knows "
                f"({SHEET_FORMAT_VERSION}); update it, or plan the session again."
            )
        sheet = msgspec.json.decode(content, type=SessionSheet)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        reason = str(error).replace("`", "'").splitlines()[0]
        raise InputError(f"{path}: not a session sheet ({reason}).") from error
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
    try:
        recipe = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"{path}: is not valid TOML ({error}).") from error
    table = recipe.get("session", {})
    if not isinstance(table, dict):
        raise UsageError(f"{path}: session must be a table; write [session].")
    return table


class _Version(msgspec.Struct):
    format_version: int


def _impossible(sheet: SessionSheet) -> str | None:
    """Return what is wrong with the values of a sheet, or None."""
    if not sheet.notes:
        return "the plan holds no notes"
    if len(sheet.patch_starts_seconds) != len(sheet.patches):
        return "patches and patch_starts_seconds differ in number"
    last_on = 0.0
    for index, note in enumerate(sheet.notes):
        if not (0 <= note.key <= 127 and 0 <= note.key + sheet.transpose <= 127):
            return f"note {index}: key {note.key} lies outside 0..127"
        if not 1 <= note.velocity <= 127:
            return f"note {index}: velocity {note.velocity} lies outside 1..127"
        if not 0 <= note.patch < len(sheet.patches):
            return f"note {index}: there is no patch {note.patch}"
        if not last_on <= note.on_seconds < note.off_seconds <= note.until_seconds < 1e6:
            return f"note {index}: its times are not in order"
        last_on = note.on_seconds
    return None
