"""The WAV side of takes: their layout, unfinished headers, and samples as bytes."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from keymapper.errors import InputError
from keymapper.formats.wav_chunks import WavLayout, read_wav_layout

BITS = {
    "PCM_S8": 8,
    "PCM_U8": 8,
    "PCM_16": 16,
    "PCM_24": 24,
    "PCM_32": 32,
    "FLOAT": 32,
    "DOUBLE": 64,
}
FLOATS = frozenset({"FLOAT", "DOUBLE"})
_SIZES_UNKNOWN = frozenset({0, 0x7FFFFFFF, 0xFFFFFFFF})


def take_layout(path: Path) -> WavLayout | None:
    """Return the chunks of a WAV or RF64 file; None for other files."""
    with path.open("rb") as file:
        if file.read(4) not in (b"RIFF", b"RF64"):
            return None
    layout = read_wav_layout(path)
    for place in layout.chunks:
        if place.id in ("RIFF", "RF64"):
            raise InputError(second_recording(path, place.offset - 8))
    return layout


def second_recording(path: Path, offset: int) -> str:
    """Return what is wrong with a file that another one begins in."""
    return (
        f"{path}: a second recording begins at byte {offset}; its rate or channels may differ: "
        "split the file."
    )


def take_source(path: Path, layout: WavLayout | None) -> Path | UnfinishedWav:
    """Return what to open: the path, or the file with the size of its audio put right."""
    places = [place for place in (layout.chunks if layout else ()) if place.id == "data"]
    if places and places[0].size == 0 and path.stat().st_size > places[0].offset:
        return UnfinishedWav(path, places[0].offset - 4)
    return path


def is_unfinished(layout: WavLayout) -> bool:
    """Say whether the recorder stopped before it wrote the size of the audio into the header."""
    sizes = [place.size for place in layout.chunks if place.id == "data"]
    return bool(sizes) and sizes[0] in _SIZES_UNKNOWN


class UnfinishedWav(io.FileIO):
    """A WAV file whose size of the audio reads as "up to the end"."""

    def __init__(self, path: Path, size_offset: int) -> None:
        super().__init__(path, "rb")
        self._size_offset = size_offset

    def readinto(self, buffer: Any, /) -> int:
        """Fill the buffer, with the size put right."""
        start = self.tell()
        count = super().readinto(buffer) or 0
        first = self._size_offset - start
        for index in range(max(0, first), min(count, first + 4)):
            memoryview(buffer).cast("B")[index] = 0xFF
        return count


def wav_samples(pcm: np.ndarray, subtype: str) -> bytes:
    """Return samples as WAV stores them; integers come left-justified in 32 bits."""
    if subtype in ("PCM_S8", "PCM_U8"):
        return ((pcm >> 24) + 128).astype(np.uint8).tobytes()
    if subtype == "PCM_24":
        wide = np.ascontiguousarray(pcm, "<i4").view(np.uint8).reshape(-1, 4)
        return np.ascontiguousarray(wide[:, 1:]).tobytes()
    return pcm.astype(pcm.dtype.newbyteorder("<")).tobytes()
