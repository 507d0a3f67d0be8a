"""What a looped copy of a WAV differs in: some frames of its audio, and its `smpl` chunk."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

from keymapper.errors import InputError
from keymapper.formats.file_parts import read_parts
from keymapper.formats.wav_chunks import (
    ChunkPlace,
    WavLayout,
    read_chunk,
    read_wav_layout,
    smpl_loop,
)
from keymapper.formats.wav_rewrite import NewAudio, rewritten_wav
from keymapper.model.loop import Loop

ENCODINGS = ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")
_SMPL_HEAD_BYTES = 36
_SMPL_LOOP_BYTES = 24


def write_wav_copy(
    source: Path, target: Path, first_frame: int, frames: bytes, smpl: bytes
) -> None:
    """Write a copy of a WAV with other bytes from one frame on and another `smpl` chunk.

    Everything else, audio and chunks, stays bit for bit as it is.

    frames : encoded as the source is; they must end within its audio.

    Raises
    ------
    InputError
        The source is no WAV, or can no longer be read.
    OutputError
        It is an RF64 or too large to be a RIFF file.
    """
    layout = read_wav_layout(source)
    audio = bytearray(_audio(source, layout))
    first = first_frame * layout.bytes_per_frame
    audio[first : first + len(frames)] = frames
    form = read_chunk(source, _chunk_named(source, layout, "fmt "))
    new = NewAudio(format_body=form, data=bytes(audio))
    with target.open("xb") as file:
        for block in read_parts(rewritten_wav(source, {"smpl": smpl}, new)):
            file.write(block)


def encoded_frames(samples: np.ndarray, encoding: str) -> bytes:
    """Return samples as little-endian bytes of a WAV; integers are rounded, half to even.

    samples : float64, shape (frames, channels), full scale 1.0; integers clip beyond it. Samples
        read from a file of the same encoding give its bytes back.
    encoding : one of `ENCODINGS`.
    """
    if encoding in ("FLOAT", "DOUBLE"):
        return samples.astype("<f4" if encoding == "FLOAT" else "<f8").tobytes()
    bits = int(encoding.removeprefix("PCM_"))
    limit = 2 ** (bits - 1)
    whole = np.clip(np.rint(samples * float(limit)), -limit, limit - 1).astype("<i4")
    octets = np.ascontiguousarray(whole).view(np.uint8).reshape(-1, 4)
    return np.ascontiguousarray(octets[:, : bits // 8]).tobytes()


def smpl_body_of(path: Path) -> bytes | None:
    """Return the body of a WAV's `smpl` chunk; None where there is none, or half of one.

    Raises
    ------
    InputError
        The file is not a WAV.
    """
    for place in read_wav_layout(path).chunks:
        if place.id == "smpl":
            body = read_chunk(path, place)
            return body if len(body) >= _SMPL_HEAD_BYTES else None
    return None


def smpl_with_loop(body: bytes, loop: Loop) -> bytes:
    """Return the body of a `smpl` chunk with one forward loop in place of all its loops.

    What else the chunk holds (unity note, tuning, data of a maker) stays.
    """
    count = struct.unpack("<I", body[28:32])[0]
    behind = body[_SMPL_HEAD_BYTES + count * _SMPL_LOOP_BYTES :]
    head = body[:28] + struct.pack("<I", 1) + body[32:_SMPL_HEAD_BYTES]
    return head + smpl_loop(loop) + behind


def _chunk_named(path: Path, layout: WavLayout, identity: str) -> ChunkPlace:
    for place in layout.chunks:
        if place.id == identity:
            return place
    raise InputError(f"{path}: has no `{identity.strip()}` chunk; export it again.")


def _audio(path: Path, layout: WavLayout) -> bytes:
    with path.open("rb") as file:
        file.seek(_chunk_named(path, layout, "data").offset)
        return file.read(layout.data_bytes_present)
