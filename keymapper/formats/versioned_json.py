"""JSON files of a session, which carry the version of their format: written and read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

import msgspec

from keymapper.errors import InputError
from keymapper.formats.json_numbers import has_huge_numbers
from keymapper.formats.small_file import read_small_file

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class JsonForm(Generic[T]):
    """One kind of file."""

    model: type[T]
    version: int
    """The newest that is known."""
    name: str
    """For messages, for example "session sheet"."""
    remedy: str
    """How to get a file of a known version, beside a newer program."""
    most_bytes: int


def json_bytes(data: object) -> bytes:
    """Return data of the model as indented JSON, ending in a newline."""
    return msgspec.json.format(msgspec.json.encode(data), indent=2) + b"\n"


def read_json(path: Path, form: JsonForm[T]) -> T:
    """Return what a file of a form holds.

    Raises
    ------
    InputError
        Not such a file, or one of a newer format version.
    """
    content = read_small_file(path, form.most_bytes, f"a {form.name}")
    try:
        version = msgspec.json.decode(content, type=_Version).format_version
        if version > form.version:
            raise InputError(
                f"{path}: {form.name} of format {version}, newer than this program knows "
                f"({form.version}); update it, or {form.remedy}."
            )
        if has_huge_numbers(content.decode("utf-8")):
            raise InputError(f"{path}: not a {form.name} (no number in one is so large).")
        return msgspec.json.decode(content, type=form.model)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        reason = str(error).replace("`", "'").splitlines()[0]
        raise InputError(f"{path}: not a {form.name} ({reason}).") from error


class _Version(msgspec.Struct):
    format_version: int
