"""A proof as a JSON file, and back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from keymapper.errors import InputError, OutputError
from keymapper.exporting.publish import write_text
from keymapper.formats.manifest import pretty_json
from keymapper.model.proof import Proof


def proof_data(proof: Proof) -> Any:
    """Return a proof as plain data for JSON, numbers rounded to what was measured."""
    return _rounded(msgspec.to_builtins(proof))


def _rounded(data: Any) -> Any:
    if isinstance(data, float):
        return round(data, 4)
    if isinstance(data, dict):
        return {name: _rounded(value) for name, value in data.items()}
    if isinstance(data, list | tuple):
        return [_rounded(value) for value in data]
    return data


def write_proof(proof: Proof, path: Path) -> None:
    """Write a proof as JSON; an older proof is replaced, any other file is left alone.

    Raises
    ------
    OutputError
        If `path` is another kind of file, or cannot be written.
    """
    if path.exists() and not _is_proof(path):
        raise OutputError(f"{path}: is no proof and is not replaced; choose another --output.")
    write_text(path, pretty_json(proof_data(proof)))


def _is_proof(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return b'"format": "keymapper-proof"' in file.read(200)


def read_proof(path: Path) -> Proof:
    """Return the proof that `write_proof` wrote.

    Raises
    ------
    InputError
        The file is no proof of this version.
    """
    try:
        return msgspec.json.decode(path.read_bytes(), type=Proof)
    except (OSError, msgspec.MsgspecError) as error:
        raise InputError(f"{path}: is no proof that can be read ({error}).") from error
