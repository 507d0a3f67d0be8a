"""RIFF/WAVE chunks: `smpl`, `inst` and `LIST INFO`, read and written.

Conventions of the format, which stay in this file: the loop end of `smpl` is inclusive, chunks
are padded to even length, RF64 keeps its 64-bit sizes in `ds64`. Everything that leaves this
file is half-open.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np

from keymapper.errors import InputError
from keymapper.model.instrument import EmbeddedHints
from keymapper.model.loop import Loop

_MAX_SMALL_CHUNK_BYTES = 1 << 20
_MAX_CHUNKS = 10_000
_UNKNOWN_SIZE = 0xFFFFFFFF
_CENTS_PER_FRACTION = 100 / 2**32


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkPlace:
    """Where a chunk's body lies in the file."""

    id: str
    offset: int
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WavLayout:
    """The chunks of a WAV file in the order of the file."""

    chunks: tuple[ChunkPlace, ...]
    bytes_per_frame: int
    data_bytes: int
    """What the header promises."""
    data_bytes_present: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleChunks:
    """What is written around the audio of a sample."""

    root_key: int
    tuning_cents: float
    loop: Loop | None
    low_key: int
    high_key: int
    low_velocity: int
    high_velocity: int
    info: Mapping[str, str]
    """INFO tags by their four-letter ids (INAM, IART, ICOP, ISFT …)."""


def read_wav_layout(path: Path) -> WavLayout:
    """List the chunks of a WAV or RF64 file without reading the audio.

    Raises
    ------
    InputError
        The file is not RIFF/WAVE.
    """
    with path.open("rb") as file:
        file_size = path.stat().st_size
        head = file.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
            raise InputError(f"{path}: not a WAV file.")
        return _walk(file, file_size)


def _walk(file: BinaryIO, file_size: int) -> WavLayout:
    chunks: list[ChunkPlace] = []
    data_size_64: int | None = None
    bytes_per_frame = data_bytes = data_present = 0
    position = 12
    while position + 8 <= file_size and len(chunks) < _MAX_CHUNKS:
        file.seek(position)
        raw_id, size = struct.unpack("<4sI", file.read(8))
        body = position + 8
        if raw_id == b"ds64" and size >= 16:
            data_size_64 = struct.unpack("<8xQ", file.read(16))[0]
        if raw_id == b"fmt " and size >= 16:
            bytes_per_frame = struct.unpack("<12xH", file.read(14))[0]
        if raw_id == b"data":
            if size == _UNKNOWN_SIZE and data_size_64 is not None:
                size = data_size_64
            data_bytes, data_present = size, min(size, file_size - body)
        chunks.append(ChunkPlace(id=raw_id.decode("latin-1"), offset=body, size=size))
        position = body + size + (size & 1)
    return WavLayout(
        chunks=tuple(chunks),
        bytes_per_frame=bytes_per_frame,
        data_bytes=data_bytes,
        data_bytes_present=data_present,
    )


def read_chunk(path: Path, place: ChunkPlace) -> bytes:
    """Read the body of a small chunk; a damaged one gives what is there."""
    with path.open("rb") as file:
        file.seek(place.offset)
        return file.read(min(place.size, _MAX_SMALL_CHUNK_BYTES))


def read_embedded_hints(path: Path) -> EmbeddedHints | None:
    """Return what the `smpl` and `inst` chunks of a WAV say, or None where there are none."""
    try:
        layout = read_wav_layout(path)
    except InputError:
        return None
    wanted = [place for place in layout.chunks if place.id in ("inst", "smpl")]
    return hints_of_chunks([(place.id, read_chunk(path, place)) for place in wanted])


def hints_of_chunks(chunks: Iterable[tuple[str, bytes]]) -> EmbeddedHints | None:
    """Return what `smpl` and `inst` chunks say, the former first; None where there are none."""
    fields: dict[str, Any] = {}
    for name, body in chunks:
        if name == "inst":
            fields = _inst_fields(body) | fields
        if name == "smpl":
            fields |= _smpl_fields(body)
    return EmbeddedHints(**fields) if fields else None


def _smpl_fields(body: bytes) -> dict[str, Any]:
    if len(body) < 36:
        return {}
    root_key, fraction, loop_count = struct.unpack("<12xII8xI", body[:32])
    fields: dict[str, Any] = {}
    if root_key <= 127:
        fields = {"root_key": root_key, "tuning_cents": fraction * _CENTS_PER_FRACTION}
    if loop_count and len(body) >= 60:
        start, last = struct.unpack("<8xII", body[36:52])
        fields |= {"loop_start_frame": start, "loop_end_frame": last + 1}
    return fields


def smpl_loop_remarks(body: bytes) -> list[str]:
    """Return in words what the loops of a `smpl` chunk ask for that few players do, or lack."""
    if len(body) < 36:
        return []
    promised, held = struct.unpack("<I", body[28:32])[0], (len(body) - 36) // 24
    remarks = []
    if promised > held:
        remarks.append(f"its smpl chunk promises {promised} loops and holds {held}")
    if promised and held:
        kind, rounds = struct.unpack("<4xI12xI", body[36:60])
        if kind:
            how = {1: "back and forth", 2: "backward"}.get(kind, f"in a way of its own ({kind})")
            remarks.append(f"its smpl loop is to be played {how}")
        if rounds:
            remarks.append(f"its smpl loop is to be played {rounds} times, not for ever")
    return remarks


def _inst_fields(body: bytes) -> dict[str, Any]:
    if len(body) < 7:
        return {}
    root, fine, _gain, low, high, low_velocity, high_velocity = struct.unpack("<BbbBBBB", body[:7])
    if max(root, low, high, low_velocity, high_velocity) > 127:
        return {}
    return {
        "root_key": root,
        "tuning_cents": float(-fine),
        "low_key": low,
        "high_key": high,
        "low_velocity": low_velocity,
        "high_velocity": high_velocity,
    }


def smpl_body(chunks: SampleChunks, rate: int) -> bytes:
    """Return the body of a `smpl` chunk.

    Flat samples are stored with fraction 0: many readers ignore the fraction, and the format can
    only say "sharp of the unity note", which would root them a semitone low.
    """
    fraction = round(max(0.0, chunks.tuning_cents) / _CENTS_PER_FRACTION)
    body = struct.pack(
        "<9I",
        0,
        0,
        round(1e9 / rate),
        chunks.root_key,
        min(fraction, 2**32 - 1),
        0,
        0,
        0 if chunks.loop is None else 1,
        0,
    )
    return body if chunks.loop is None else body + smpl_loop(chunks.loop)


def smpl_loop(loop: Loop) -> bytes:
    """Return one forward loop as a `smpl` chunk holds it."""
    return struct.pack("<6I", 0, 0, loop.start_frame, loop.end_frame - 1, 0, 0)


def inst_body(chunks: SampleChunks) -> bytes:
    """Return the body of an `inst` chunk; its fine tune is the shift needed to be in tune."""
    fine = max(-50, min(50, -round(chunks.tuning_cents)))
    return struct.pack(
        "<BbbBBBB",
        chunks.root_key,
        fine,
        0,
        chunks.low_key,
        chunks.high_key,
        chunks.low_velocity,
        chunks.high_velocity,
    )


def info_body(tags: Mapping[str, str]) -> bytes:
    """Return the body of a `LIST INFO` chunk; empty tags are left out."""
    body = b"INFO"
    for tag, text in sorted(tags.items()):
        if text:
            value = text.replace("\0", " ").encode("utf-8") + b"\0"
            body += chunk(tag.encode("ascii"), value)
    return body


def format_body(channels: int, rate: int, bits: int, *, is_float: bool = False) -> bytes:
    """Return the body of a `fmt ` chunk."""
    frame_bytes = channels * bits // 8
    tag = 3 if is_float else 1
    return struct.pack("<HHIIHH", tag, channels, rate, rate * frame_bytes, frame_bytes, bits)


def chunk(identity: bytes, body: bytes) -> bytes:
    """Return a chunk, padded to even length."""
    return identity + struct.pack("<I", len(body)) + body + b"\0" * (len(body) & 1)


def wav_head(chunks: bytes, data_bytes: int) -> bytes:
    """Return a WAV file up to the first byte of its audio.

    chunks : those before it, the `fmt ` chunk first.
    """
    total = 4 + len(chunks) + 8 + data_bytes + (data_bytes & 1)
    riff = b"RIFF" + struct.pack("<I", total) + b"WAVE"
    return riff + chunks + b"data" + struct.pack("<I", data_bytes)


def pcm_bytes(pcm: np.ndarray, bits: int) -> bytes:
    """Return integers (frames, channels) as little-endian PCM of 16 or 24 bits."""
    if bits == 16:
        return pcm.astype("<i2").tobytes()
    return _three_bytes_each(pcm.reshape(-1))


def _three_bytes_each(values: np.ndarray) -> bytes:
    """Return the lower 24 bits of each value, little-endian; four fill three words at a time."""
    fours = np.zeros((-(-len(values) // 4), 4), dtype="<u4")
    fours.reshape(-1)[: len(values)] = values & 0xFFFFFF
    one, two, three, four = fours.T
    words = np.empty((len(fours), 3), dtype="<u4")
    words[:, 0] = one | two << 24
    words[:, 1] = two >> 8 | three << 16
    words[:, 2] = three >> 16 | four << 8
    return words.tobytes()[: 3 * len(values)]


def pcm24_floats(data: bytes, dtype: Literal["float32", "float64"]) -> np.ndarray:
    """Return little-endian PCM of 24 bits as floats of full scale 1.0, shape (values,); exact.

    data : the byte before the first value, then the values.
    """
    words = np.ndarray((max(0, len(data) - 1) // 3,), "<i4", data, strides=(3,))
    scaled = np.multiply(words & np.int32(-256), 2.0**-31, dtype=dtype, casting="unsafe")
    return np.asarray(scaled)


def write_wav(path: Path, pcm: np.ndarray, rate: int, bits: int, chunks: SampleChunks) -> None:
    """Write integers (frames, channels) as a WAV, `smpl`, `inst` and INFO before the audio."""
    before = (
        chunk(b"fmt ", format_body(pcm.shape[1], rate, bits))
        + chunk(b"smpl", smpl_body(chunks, rate))
        + chunk(b"inst", inst_body(chunks))
        + chunk(b"LIST", info_body(chunks.info))
    )
    data = pcm_bytes(pcm, bits)
    path.write_bytes(wav_head(before, len(data)) + data + b"\0" * (len(data) & 1))
