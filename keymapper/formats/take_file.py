"""Long takes: read in blocks or by ranges of frames, and copied bit for bit.

WAV and RF64 are copied as bytes; FLAC is decoded and encoded as integers of the same depth; AIFF
becomes WAV of the same depth. Nothing is ever held whole in memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Any, Literal

import numpy as np
import soundfile

from keymapper.errors import InputError
from keymapper.formats.aiff_chunks import aiff_frames, read_aiff_chunks
from keymapper.formats.audio_file import refuse_odd_header
from keymapper.formats.flac_blocks import second_flac_offset
from keymapper.formats.take_wav import (
    BITS,
    FLOATS,
    UnfinishedWav,
    is_unfinished,
    second_recording,
    take_layout,
    take_source,
    wav_samples,
)
from keymapper.formats.wav_chunks import WavLayout, chunk, format_body, wav_head

FloatArray = np.ndarray[tuple[int, ...], np.dtype[Any]]

_WAV_FAMILY = frozenset({"WAV", "WAVEX", "RF64", "W64"})
_CONTAINERS = frozenset({"WAV", "WAVEX", "RF64", "AIFF", "FLAC"})
_MOST_CHANNELS = 32
_COPY_BYTES = 1 << 22
_COPY_FRAMES = 1 << 19
_CAREFUL_FRAMES = 1 << 9
"""Read at a time up to where a file is damaged."""
_FASTEST = 0.0
"""Compression level of FLAC; the copies are read once."""


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
            self._layout = take_layout(path)
            self._source = take_source(path, self._layout)
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
        self._reading = Lock()

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
        return BITS[self._file.subtype]

    @property
    def missing_frames(self) -> int:
        """Return how many frames the header promises beyond those that are there."""
        missing = int(self._file.frames) - self.frames
        layout = self._layout
        if layout is not None and layout.bytes_per_frame and not is_unfinished(layout):
            missing += (layout.data_bytes - layout.data_bytes_present) // layout.bytes_per_frame
        if self._file.format == "AIFF":
            missing = max(missing, aiff_frames(read_aiff_chunks(self.path)) - self.frames)
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
            coming = reader.submit(self._next, done, block_frames)
            while len(block := coming.result()):
                done += len(block)
                if len(block) == block_frames:
                    coming = reader.submit(self._next, done, block_frames)
                yield block
                if len(block) < block_frames:
                    break
        self._frames_there = done

    def read(self, first_frame: int, end_frame: int) -> FloatArray:
        """Return the frames [first_frame, end_frame) as float32, as far as they are there.

        Threads may read side by side.
        """
        first, end = max(0, first_frame), min(end_frame, self.frames)
        with self._reading:
            if end <= first or not self._seek(first):
                return np.zeros((0, self.channels), np.float32)
            return self._next(first, end - first)

    def copy_range(self, first_frame: int, end_frame: int, target: Path) -> None:
        """Write the frames [first_frame, end_frame) to a file: same rate, depth and channels."""
        if self._file.format in _WAV_FAMILY and self._layout is not None:
            self._copy_bytes(self._layout, first_frame, end_frame, target)
        elif self._file.format == "FLAC":
            self._copy_flac(first_frame, end_frame, target)
        else:
            self._copy_as_wav(first_frame, end_frame, target)

    def _close(self) -> None:
        self._file.close()
        if isinstance(self._source, UnfinishedWav):
            self._source.close()

    def _next(self, first: int, frames: int) -> FloatArray:
        """Return the frames from the first on, at which the file stands, as far as they decode."""
        try:
            block = self._decoded(frames)
        except soundfile.LibsndfileError:
            block = self._before_damage(first, frames)
        if self._file.subtype in FLOATS and not np.isfinite(block).all():
            raise InputError(f"{self.path}: holds samples that are not numbers; export it again.")
        return block

    def _decoded(self, frames: int) -> FloatArray:
        return np.asarray(self._file.read(frames, dtype="float32", always_2d=True))

    def _before_damage(self, first: int, frames: int) -> FloatArray:
        """Return the frames up to the damage; a decoder that met it can only be opened again."""
        self._open_again()
        blocks = list(self._careful_blocks(first, frames))
        self._open_again()
        return np.concatenate([np.zeros((0, self.channels), np.float32), *blocks])

    def _careful_blocks(self, first: int, frames: int) -> Iterator[FloatArray]:
        if not self._seek(first):
            return
        for start in range(0, frames, _CAREFUL_FRAMES):
            try:
                yield self._decoded(min(_CAREFUL_FRAMES, frames - start))
            except soundfile.LibsndfileError:
                return

    def _open_again(self) -> None:
        self._close()
        self._source = take_source(self.path, self._layout)
        self._file = soundfile.SoundFile(self._source)

    def _seek(self, frame: int) -> bool:
        try:
            self._file.seek(frame)
        except soundfile.LibsndfileError:
            return False
        return True

    def _refuse_unusable(self) -> None:
        file = self._file
        if file.format not in _CONTAINERS or file.subtype not in BITS:
            raise InputError(
                f"{self.path}: {file.format} with {file.subtype} cannot be cut without loss; "
                "record to WAV, AIFF or FLAC."
            )
        if file.channels > _MOST_CHANNELS:
            raise InputError(f"{self.path}: has {file.channels} channels; record one patch a take.")
        if file.frames == 0:
            raise InputError(f"{self.path}: holds no sound (0 frames).")
        refuse_odd_header(file, self.path)
        if file.format == "FLAC":
            self._refuse_second_flac()

    def _refuse_second_flac(self) -> None:
        """Refuse two files in one; looked for only where the end of the first cannot be reached."""
        with soundfile.SoundFile(self.path) as probe:
            try:
                probe.seek(probe.frames - 1)
                return
            except soundfile.LibsndfileError:
                offset = second_flac_offset(self.path)
        if offset is not None:
            raise InputError(second_recording(self.path, offset))

    def _copy_bytes(self, layout: WavLayout, first: int, end: int, target: Path) -> None:
        places = {place.id: place for place in layout.chunks}
        size = layout.bytes_per_frame
        with self.path.open("rb") as source, target.open("wb") as file:
            source.seek(places["fmt "].offset)
            fmt = source.read(min(places["fmt "].size, 64))
            left = (end - first) * size
            file.write(wav_head(chunk(b"fmt ", fmt), left))
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

    def _copy_flac(self, first: int, end: int, target: Path) -> None:
        file = soundfile.SoundFile(
            target,
            "w",
            self.rate_hz,
            self.channels,
            self._file.subtype,
            format="FLAC",
            compression_level=_FASTEST,
        )
        with file:
            for pcm in self._pcm_blocks(first, end):
                file.write(pcm)

    def _copy_as_wav(self, first: int, end: int, target: Path) -> None:
        is_float = self._file.subtype in FLOATS
        fmt = format_body(self.channels, self.rate_hz, self.bits, is_float=is_float)
        size = (end - first) * self.channels * self.bits // 8
        with target.open("wb") as file:
            file.write(wav_head(chunk(b"fmt ", fmt), size))
            for pcm in self._pcm_blocks(first, end):
                file.write(wav_samples(pcm, self._file.subtype))
            file.write(b"\0" * (size & 1))

    def _pcm_blocks(self, first: int, end: int) -> Iterator[np.ndarray]:
        """Yield a range in the dtype that holds the file's own samples exactly."""
        dtypes = {"PCM_16": "int16", "FLOAT": "float32", "DOUBLE": "float64"}
        dtype = dtypes.get(self._file.subtype, "int32")
        self._file.seek(first)
        for start in range(first, end, _COPY_FRAMES):
            count = min(_COPY_FRAMES, end - start)
            yield np.asarray(self._file.read(count, dtype=dtype, always_2d=True))
