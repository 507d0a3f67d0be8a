"""Read whole files of which none that is what it claims to be is large."""

from __future__ import annotations

from pathlib import Path

from keymapper.errors import InputError


def read_small_file(path: Path, most_bytes: int, what: str) -> bytes:
    """Return the bytes of a file.

    what : it should be, for the message, for example "a tuning file".

    Raises
    ------
    InputError
        It cannot be read, or is larger than `most_bytes`.
    """
    try:
        if path.stat().st_size > most_bytes:
            raise InputError(f"{path}: too large for {what}.")
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}).") from error
