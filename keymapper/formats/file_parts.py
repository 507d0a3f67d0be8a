"""A file to be written, as bytes in memory and stretches of other files; never held whole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from keymapper.errors import InputError

BLOCK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class FileStretch:
    """Bytes of a file, from an offset on."""

    path: Path
    offset: int
    size: int


Part = bytes | FileStretch


def parts_size(parts: tuple[Part, ...]) -> int:
    """Return how many bytes some parts have together."""
    return sum(len(part) if isinstance(part, bytes) else part.size for part in parts)


def read_parts(parts: tuple[Part, ...]) -> Iterator[bytes]:
    """Yield the bytes of some parts in blocks of at most 1 MiB.

    Raises
    ------
    InputError
        A file can no longer be read, or has become shorter.
    """
    for part in parts:
        if isinstance(part, bytes):
            yield part
        else:
            yield from _read_stretch(part)


def whole_file(path: Path) -> FileStretch:
    """Return all bytes of a file."""
    return FileStretch(path=path, offset=0, size=path.stat().st_size)


def _read_stretch(stretch: FileStretch) -> Iterator[bytes]:
    try:
        with stretch.path.open("rb") as file:
            file.seek(stretch.offset)
            left = stretch.size
            while left:
                block = file.read(min(left, BLOCK_BYTES))
                if not block:
                    raise InputError(f"{stretch.path}: became shorter while it was read.")
                left -= len(block)
                yield block
    except OSError as error:
        raise InputError(f"{stretch.path}: cannot be read ({error.strerror or error}).") from error
