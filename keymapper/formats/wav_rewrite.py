"""Put other chunks into a WAV file and leave its audio and all its other chunks alone."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from keymapper.errors import OutputError
from keymapper.formats.file_parts import FileStretch, Part, parts_size, read_parts
from keymapper.formats.wav_chunks import ChunkPlace, read_wav_layout

_LARGEST_RIFF = 0xFFFFFFFF - 64


@dataclass(frozen=True, slots=True, kw_only=True)
class NewAudio:
    """Audio that takes the place of a file's own."""

    format_body: bytes
    """Of the `fmt ` chunk."""
    data: Part


def rewrite_chunks(path: Path, bodies: Mapping[str, bytes]) -> None:
    """Replace chunks of a RIFF/WAVE file, or put them before its audio; the rest is kept.

    bodies : four-letter id and new body.

    Raises
    ------
    InputError
        The file is not a WAV.
    OutputError
        It is an RF64 or too large to be a RIFF file.
    """
    parts = rewritten_wav(path, bodies)
    partial = path.with_name(f".{path.name}.partial")
    try:
        with partial.open("wb") as file:
            for block in read_parts(parts):
                file.write(block)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def rewritten_wav(
    path: Path,
    bodies: Mapping[str, bytes],
    audio: NewAudio | None = None,
    without: frozenset[str] = frozenset(),
) -> tuple[Part, ...]:
    """Return a WAV file with other chunks as parts, without reading its audio.

    Chunks that are not replaced stay as they are, in their order. A `LIST` among `bodies` takes
    the place of `LIST INFO` only: labels and whatever else lies in a `LIST` stay.

    without : chunks to leave out.

    Raises
    ------
    InputError
        The file is not a WAV.
    OutputError
        It is an RF64 or too large to be a RIFF file.
    """
    with path.open("rb") as file:
        if file.read(4) == b"RF64":
            raise OutputError(f"{path}: is an RF64 file; only RIFF files are rewritten.")
    file_size = path.stat().st_size
    parts: list[Part] = [b"WAVE"]
    inserted = False
    for place in read_wav_layout(path).chunks:
        if _is_replaced(path, place, bodies) or place.id in without:
            continue
        if place.id == "data" and not inserted:
            for identity, body in bodies.items():
                parts += _chunk(identity, body)
            inserted = True
        if audio is not None and place.id == "fmt ":
            parts += _chunk(place.id, audio.format_body)
        elif audio is not None and place.id == "data":
            parts += _chunk(place.id, audio.data)
        else:
            size = min(place.size, file_size - place.offset)
            parts += _chunk(place.id, FileStretch(path=path, offset=place.offset, size=size))
    size = parts_size(tuple(parts))
    if size > _LARGEST_RIFF:
        raise OutputError(f"{path}: is too large for a RIFF file; cut it into shorter ones.")
    return (b"RIFF" + struct.pack("<I", size), *parts)


def _is_replaced(path: Path, place: ChunkPlace, bodies: Mapping[str, bytes]) -> bool:
    if place.id != "LIST" or place.id not in bodies:
        return place.id in bodies
    with path.open("rb") as file:
        file.seek(place.offset)
        return file.read(4) == b"INFO"


def _chunk(identity: str, body: Part) -> list[Part]:
    size = parts_size((body,))
    return [identity.encode("latin-1") + struct.pack("<I", size), body, b"\0" * (size & 1)]
