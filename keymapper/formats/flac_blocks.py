"""The metadata blocks of a FLAC file: what is there, and where."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

AUDIO_BLOCKS = (0, 3)
"""Kinds that describe the audio itself: stream information and seek table."""
APPLICATION = 2
COMMENTS = 4
LAST = 0x80
"""Beside its kind, in the first byte of the last block."""
_MOST_BLOCKS = 1_000
_SEARCHED_BYTES = 1 << 22


@dataclass(frozen=True, slots=True, kw_only=True)
class FlacBlock:
    """Where the body of a block lies; a file that is cut short may end before it does."""

    kind: int
    offset: int
    size: int
    is_last: bool


def flac_blocks(path: Path) -> Iterator[FlacBlock]:
    """Yield the blocks of a FLAC in order; any other file has none."""
    with path.open("rb") as file:
        if file.read(4) != b"fLaC":
            return
        for _ in range(_MOST_BLOCKS):
            header = file.read(4)
            if len(header) < 4:
                return
            size = int.from_bytes(header[1:], "big")
            is_last = bool(header[0] & LAST)
            yield FlacBlock(kind=header[0] & ~LAST, offset=file.tell(), size=size, is_last=is_last)
            if is_last:
                return
            file.seek(size, 1)


def second_flac_offset(path: Path) -> int | None:
    """Return the byte at which another FLAC begins behind the first one; None where none does."""
    mark = b"fLaC\x00\x00\x00\x22"  # and the head of its stream information
    place, kept = 0, b""
    with path.open("rb") as file:
        while part := file.read(_SEARCHED_BYTES):
            block = kept + part
            found = block.find(mark, 1 if place == 0 else 0)
            if found >= 0:
                return place + found
            kept = block[1 - len(mark) :]
            place += len(block) - len(kept)
    return None
