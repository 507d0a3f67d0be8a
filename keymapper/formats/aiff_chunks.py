"""AIFF chunks beside the audio: frames, markers, the instrument chunk, and texts.

All numbers are big-endian; loops are given by the ids of markers, and a marker lies between two
frames, so that the end marker is half-open already.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

from keymapper.model.instrument import EmbeddedHints
from keymapper.model.sample_facts import LONGEST_TEXT, Marker, SampleTexts

_MOST_CHUNKS = 10_000
_LARGEST_BODY = 1 << 20
_TEXTS = (b"NAME", b"AUTH", b"(c) ", b"ANNO")


def read_aiff_chunks(path: Path) -> dict[bytes, bytes]:
    """Return the small chunks of an AIFF by id, the first of each; {} for any other file."""
    with path.open("rb") as file:
        head = file.read(12)
        if len(head) < 12 or head[:4] != b"FORM" or head[8:] not in (b"AIFF", b"AIFC"):
            return {}
        chunks: dict[bytes, bytes] = {}
        for _ in range(_MOST_CHUNKS):
            header = file.read(8)
            if len(header) < 8:
                break
            size = struct.unpack(">I", header[4:])[0]
            wanted = header[:4] in (b"COMM", b"MARK", b"INST", *_TEXTS) and size <= _LARGEST_BODY
            body = file.read(size) if wanted else b""
            if wanted:
                chunks.setdefault(header[:4], body)
            file.seek(size + (size & 1) - len(body), 1)
        return chunks


def aiff_frames(chunks: dict[bytes, bytes]) -> int:
    """Return how many frames the header promises; 0 where it does not say."""
    body = chunks.get(b"COMM", b"")
    return int(struct.unpack(">I", body[2:6])[0]) if len(body) >= 6 else 0


def aiff_hints(chunks: dict[bytes, bytes]) -> EmbeddedHints | None:
    """Return what the instrument chunk says about root, tuning, ranges and loop."""
    body = chunks.get(b"INST", b"")
    if len(body) < 14:
        return None
    root, detune, low, high, low_velocity, high_velocity = struct.unpack(">BbBBBB", body[:6])
    if max(root, low, high, low_velocity, high_velocity) > 127:
        return None
    mode, begin, end = struct.unpack(">hhh", body[8:14])
    frames = {identity: marker.frame for identity, marker in _markers(chunks)}
    start_frame, end_frame = frames.get(begin), frames.get(end)
    looped = mode in (1, 2) and start_frame is not None and end_frame is not None
    return EmbeddedHints(
        root_key=root,
        tuning_cents=float(-detune),
        loop_start_frame=start_frame if looped else None,
        loop_end_frame=end_frame if looped else None,
        low_key=low,
        high_key=high,
        low_velocity=low_velocity,
        high_velocity=high_velocity,
    )


def aiff_texts(chunks: dict[bytes, bytes]) -> SampleTexts:
    """Return the texts and markers of an AIFF."""
    tags = [
        (name.decode("ascii").strip(), chunks[name].decode("latin-1").strip("\0 "))
        for name in _TEXTS
        if name in chunks
    ]
    return SampleTexts(
        tags=tuple((name, text[:LONGEST_TEXT]) for name, text in tags if text),
        markers=tuple(marker for _, marker in _markers(chunks)),
    )


def _markers(chunks: dict[bytes, bytes]) -> Iterator[tuple[int, Marker]]:
    body = chunks.get(b"MARK", b"")
    if len(body) < 2:
        return
    position = 2
    for _ in range(struct.unpack(">H", body[:2])[0]):
        if position + 7 > len(body):
            return
        identity, frame, length = struct.unpack(">hIB", body[position : position + 7])
        name = body[position + 7 : position + 7 + length].decode("latin-1")
        yield identity, Marker(name=name, frame=frame)
        position += 7 + length + (1 - length % 2)
