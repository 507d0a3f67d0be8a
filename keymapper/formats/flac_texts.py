"""FLAC metadata: Vorbis comments, and WAV chunks kept in APPLICATION blocks named `riff`."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from keymapper.formats.flac_blocks import APPLICATION, COMMENTS, FlacBlock, flac_blocks

_LARGEST_BLOCK = 1 << 20
_LONGEST_TEXT = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FlacMetadata:
    """The comments of a FLAC, as (name in upper case, text), and its foreign WAV chunks by id."""

    comments: tuple[tuple[str, str], ...] = ()
    chunks: tuple[tuple[str, bytes], ...] = ()


def read_flac_metadata(path: Path) -> FlacMetadata:
    """Return the comments and foreign chunks of a FLAC; any other file has none."""
    comments: list[tuple[str, str]] = []
    chunks: list[tuple[str, bytes]] = []
    for block in flac_blocks(path):
        if block.kind not in (COMMENTS, APPLICATION) or block.size > _LARGEST_BLOCK:
            continue
        body = _body(path, block)
        if block.kind == COMMENTS:
            comments += _comments(body)
        elif body[:4] == b"riff" and len(body) >= 12:
            size = struct.unpack("<I", body[8:12])[0]
            chunks.append((body[4:8].decode("latin-1"), body[12 : 12 + size]))
    return FlacMetadata(comments=tuple(comments), chunks=tuple(chunks))


def _body(path: Path, block: FlacBlock) -> bytes:
    with path.open("rb") as file:
        file.seek(block.offset)
        return file.read(block.size)


def _comments(body: bytes) -> Iterator[tuple[str, str]]:
    position = 0

    def text() -> str | None:
        nonlocal position
        if position + 4 > len(body):
            return None
        size = struct.unpack("<I", body[position : position + 4])[0]
        raw = body[position + 4 : position + 4 + size]
        position += 4 + size
        return raw.decode("utf-8", "replace") if len(raw) == size else None

    if text() is None or position + 4 > len(body):
        return
    count = struct.unpack("<I", body[position : position + 4])[0]
    position += 4
    for _ in range(count):
        comment = text()
        if comment is None:
            return
        name, equals, value = comment.partition("=")
        if equals and value.strip():
            yield name.upper(), value.strip()[:_LONGEST_TEXT]
