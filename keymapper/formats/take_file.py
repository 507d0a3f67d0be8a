"""Long takes: read in blocks or by ranges of frames, and copied bit for bit.

WAV and RF64 are copied as bytes; FLAC is decoded and encoded as integers of the same depth; AIFF
becomes WAV of the same depth. Nothing is ever held whole in memory.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import numpy as np
import soundfile

from keymapper.errors import InputError
from keymapper.formats.wav_chunks import WavLayout, read_wav_layout

FloatArray = np.ndarray[tuple[int, ...], np.dtype[Any]]

_WAV_FAMILY = frozenset({"WAV", "WAVEX", "RF64", "W64"})
_CONTAINERS = frozenset({"WAV", "WAVEX", "RF64", "AIFF", "FLAC"})
_BITS = {
    "PCM_S8": 8,
    "PCM_U8": 8,
    "PCM_16": 16,
    "PCM_24": 24,
    "PCM_32": 32,
    "FLOAT": 32,
    "DOUBLE": 64,
}
_FLOATS = frozenset({"FLOAT", "DOUBLE"})
_SIZES_UNKNOWN = frozenset({0, 0x7FFFFFFF, 0xFFFFFFFF})
_MOST_CHANNELS = 32
_COPY_BYTES = 1 << 22
_FASTEST = 0.0


class TakeFile:
    """An open take; use it in a ``with`` block.

    Raises InputError where the file cannot be used: not audio, empty, a lossy or compressed
    encoding, or a second recording behind the first.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            if path.stat().st_size == 0:
                raise InputError(f"{path}: the file is empty; record or copy it again.")
            self._layout = _wav_layout(path)
            self._source = _source(path, self._layout)
            self._file = soundfile.SoundFile(self._source)
        except soundfile.LibsndfileError as error:
            reason = str(error.error_string).strip().rstrip(".")
            raise InputError(f"{path}: not readable as audio ({reason}).") from error
        except OSError as error:
            raise InputError(f"{path}: cannot be read ({error.strerror or error}).") from error
        try:
            self._refuse_unusable()
        except InputError:
            self._close()
            raise
        self._frames_there: int | None = None

    def __enter__(self) -> TakeFile:
        """Return the take itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file."""
        self._close()

    @property
    def rate_hz(self) -> int:
        """Return the sample rate."""
        return int(self._file.samplerate)

    @property
    def channels(self) -> int:
        """Return how many channels it has."""
        return int(self._file.channels)

    @property
    def frames(self) -> int:
        """Return how many frames are there; a damaged FLAC is known only once it was streamed."""
        return int(self._file.frames) if self._frames_there is None else self._frames_there

    @property
    def bits(self) -> int:
        """Return the bits of a sample."""
        return _BITS[self._file.subtype]

    @property
    def missing_frames(self) -> int:
        """Return how many frames the header promises beyond those that are there."""
        missing = int(self._file.frames) - self.frames
        layout = self._layout
        if layout is not None and layout.bytes_per_frame and not _is_unfinished(layout):
            missing += (layout.data_bytes - layout.data_bytes_present) // layout.bytes_per_frame
        return missing

    @property
    def suffix(self) -> Literal[".flac", ".wav"]:
        """Return the suffix of the copies that `copy_range` writes."""
        return ".flac" if self._file.format == "FLAC" else ".wav"

    def blocks(self, block_frames: int) -> Iterator[FloatArray]:
        """Yield the take in float32 blocks, shape (frames, channels); a damaged one ends early."""
        done = 0
        self._seek(0)
        with ThreadPoolExecutor(1) as reader:  # decodes ahead while the last block is worked on
            coming = reader.submit(self._next, block_frames)
            while len(block := coming.result()):
                if len(block) == block_frames:
                    coming = reader.submit(self._next, block_frames)
                done += len(block)
                yield block
                if len(block) < block_frames:
                    break
        self._frames_there = done

    def read(self, first_frame: int, end_frame: int) -> FloatArray:
        """Return the frames [first_frame, end_frame) as float32, as far as they are there."""
        first, end = max(0, first_frame), min(end_frame, self.frames)
        if end <= first or not self._seek(first):
            return np.zeros((0, self.channels), np.float32)
        return self._next(end - first)

    def copy_range(self, first_frame: int, end_frame: int, target: Path) -> None:
        """Write the frames [first_frame, end_frame) to a file: same rate, depth and channels."""
        if self._file.format in _WAV_FAMILY and self._layout is not None:
            self._copy_bytes(self._layout, first_frame, end_frame, target)
        elif self._file.format == "FLAC":
            pcm = self._read_pcm(first_frame, end_frame)
            soundfile.write(
                target,
                pcm,
                self.rate_hz,
                subtype=self._file.subtype,
                format="FLAC",
                compression_level=_FASTEST,
            )
        else:
            data = _little_endian(self._read_pcm(first_frame, end_frame), self._file.subtype)
            fmt = _wav_format(self.rate_hz, self.channels, self._file.subtype)
            with target.open("wb") as file:
                file.write(_wav_head(fmt, len(data)) + data + b"\0" * (len(data) & 1))

    def _close(self) -> None:
        self._file.close()
        if isinstance(self._source, _UnfinishedWav):
            self._source.close()

    def _next(self, frames: int) -> FloatArray:
        try:
            block = self._file.read(frames, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError:
            return np.zeros((0, self.channels), np.float32)
        if self._file.subtype in _FLOATS and not np.isfinite(block).all():
            raise InputError(f"{self.path}: holds samples that are not numbers; export it again.")
        return np.asarray(block)

    def _seek(self, frame: int) -> bool:
        try:
            self._file.seek(frame)
        except soundfile.LibsndfileError:
            return False
        return True

    def _refuse_unusable(self) -> None:
        file = self._file
        if file.format not in _CONTAINERS or file.subtype not in _BITS:
            raise InputError(
                f"{self.path}: {file.format} with {file.subtype} cannot be cut without loss; "
                "record to WAV, AIFF or FLAC."
            )
        if file.channels > _MOST_CHANNELS:
            raise InputError(f"{self.path}: has {file.channels} channels; record one patch a take.")
        if file.frames == 0:
            raise InputError(f"{self.path}: holds no sound (0 frames).")

    def _copy_bytes(self, layout: WavLayout, first: int, end: int, target: Path) -> None:
        places = {place.id: place for place in layout.chunks}
        size = layout.bytes_per_frame
        with self.path.open("rb") as source, target.open("wb") as file:
            source.seek(places["fmt "].offset)
            fmt = source.read(min(places["fmt "].size, 64))
            left = (end - first) * size
            file.write(_wav_head(fmt, left))
            source.seek(places["data"].offset + first * size)
            while left > 0:
                block = source.read(min(left, _COPY_BYTES))
                if not block:
                    raise InputError(
                        f"{self.path}: ends before frame {end}; record or copy it again."
                    )
                file.write(block)
                left -= len(block)
            file.write(b"\0" * ((end - first) * size & 1))

    def _read_pcm(self, first: int, end: int) -> np.ndarray:
        """Return a range in the dtype that holds the file's own samples exactly."""
        dtypes = {"PCM_16": "int16", "FLOAT": "float32", "DOUBLE": "float64"}
        self._file.seek(first)
        dtype = dtypes.get(self._file.subtype, "int32")
        return np.asarray(self._file.read(end - first, dtype=dtype, always_2d=True))


def _wav_layout(path: Path) -> WavLayout | None:
    """Return the chunks of a WAV or RF64 file; None for other files."""
    with path.open("rb") as file:
        if file.read(4) not in (b"RIFF", b"RF64"):
            return None
    layout = read_wav_layout(path)
    for place in layout.chunks:
        if place.id in ("RIFF", "RF64"):
            raise InputError(
                f"{path}: a second recording begins at byte {place.offset - 8}; its rate or "
                "channels may differ: split the file."
            )
    return layout


def _source(path: Path, layout: WavLayout | None) -> Path | _UnfinishedWav:
    """Return what to open: the path, or the file with the size of its audio put right."""
    places = [place for place in (layout.chunks if layout else ()) if place.id == "data"]
    if places and places[0].size == 0 and path.stat().st_size > places[0].offset:
        return _UnfinishedWav(path, places[0].offset - 4)
    return path


def _is_unfinished(layout: WavLayout) -> bool:
    """Say whether the recorder stopped before it wrote the size of the audio into the header."""
    sizes = [place.size for place in layout.chunks if place.id == "data"]
    return bool(sizes) and sizes[0] in _SIZES_UNKNOWN


class _UnfinishedWav(io.FileIO):
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


def _wav_format(rate_hz: int, channels: int, subtype: str) -> bytes:
    frame_bytes = channels * _BITS[subtype] // 8
    tag = 3 if subtype in _FLOATS else 1
    return struct.pack(
        "<HHIIHH", tag, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, _BITS[subtype]
    )


def _wav_head(fmt: bytes, data_bytes: int) -> bytes:
    fmt_chunk = b"fmt " + struct.pack("<I", len(fmt)) + fmt + b"\0" * (len(fmt) & 1)
    total = 4 + len(fmt_chunk) + 8 + data_bytes + (data_bytes & 1)
    return (
        b"RIFF"
        + struct.pack("<I", total)
        + b"WAVE"
        + fmt_chunk
        + b"data"
        + struct.pack("<I", data_bytes)
    )


def _little_endian(pcm: np.ndarray, subtype: str) -> bytes:
    """Return samples as WAV stores them; integers come left-justified in 32 bits."""
    if subtype in ("PCM_S8", "PCM_U8"):
        return ((pcm >> 24) + 128).astype(np.uint8).tobytes()
    if subtype == "PCM_24":
        wide = np.ascontiguousarray(pcm, "<i4").view(np.uint8).reshape(-1, 4)
        return np.ascontiguousarray(wide[:, 1:]).tobytes()
    return pcm.astype(pcm.dtype.newbyteorder("<")).tobytes()
