"""Put other chunks into a WAV file and leave its audio and all its other chunks alone."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path

from keymapper.errors import OutputError
from keymapper.formats.wav_chunks import read_wav_layout

_LARGEST_FILE = 1 << 30


def rewrite_chunks(path: Path, bodies: Mapping[str, bytes]) -> None:
    """Replace chunks of a RIFF/WAVE file, or put them before its audio; the rest is kept.

    bodies : four-letter id and new body.

    Raises
    ------
    InputError
        The file is not a WAV.
    OutputError
        It is an RF64 or too large to be rewritten at once.
    """
    layout = read_wav_layout(path)
    content = path.read_bytes() if path.stat().st_size <= _LARGEST_FILE else b""
    if content[:4] != b"RIFF":
        raise OutputError(f"{path}: only RIFF files of up to 1 GB are rewritten.")
    parts = [b"WAVE"]
    inserted = False
    for place in layout.chunks:
        if place.id in bodies:
            continue
        if place.id == "data" and not inserted:
            parts += [_chunk(identity, body) for identity, body in bodies.items()]
            inserted = True
        body = content[place.offset : place.offset + place.size]
        parts.append(_chunk(place.id, body))
    whole = b"".join(parts)
    path.write_bytes(b"RIFF" + struct.pack("<I", len(whole)) + whole)


def _chunk(identity: str, body: bytes) -> bytes:
    return (
        identity.encode("latin-1") + struct.pack("<I", len(body)) + body + b"\0" * (len(body) & 1)
    )
