"""The course of a take: levels every millisecond and band powers every 10 ms, in one pass.

The take is streamed once, in chunks that are measured side by side; what stays in memory is 8 + 8
bytes a millisecond and one half-precision decibel a band and hop, about 12 MB for ten minutes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import scipy.fft

from keymapper.slicing.side_by_side import side_by_side

FloatArray = np.ndarray[tuple[int, ...], np.dtype[Any]]

HOP_SECONDS = 0.01
_WINDOW_SECONDS = 0.02
_BAND_EDGES_HZ = np.geomspace(50.0, 20_000.0, 25)
_CHUNK_SECONDS = 2.0
_FULL_SCALE = 0.9999
SILENCE_POWER = 1e-10
"""Quieter than any recording (-100 dBFS): the least noise floor a take is taken to have."""
_LEAST_POWER = 1e-14


class TakeAudio(Protocol):
    """What slicing needs of a take: its size, its blocks in order, and any range of frames."""

    @property
    def rate_hz(self) -> int:
        """Return the sample rate."""
        ...

    @property
    def channels(self) -> int:
        """Return the number of channels."""
        ...

    def blocks(self, block_frames: int) -> Iterator[FloatArray]:
        """Yield all frames in order, shape (block_frames, channels); the last may be shorter."""
        ...

    def read(self, first_frame: int, end_frame: int) -> FloatArray:
        """Return the frames [first_frame, end_frame), as far as they are there."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TakeCourse:
    """Levels of a take.

    ``peak`` and ``power`` (mean square, mean over channels) have one value a block of
    ``block_frames`` (one millisecond); ``bands_db`` has the power of each band, in dB re full
    scale, every `HOP_SECONDS`, centred on the hop.
    """

    rate_hz: int
    block_frames: int
    frames: int
    offset: FloatArray
    """The constant (DC) part of each channel, already taken out of the levels."""
    peak: FloatArray
    power: FloatArray
    bands_db: FloatArray
    full_scale_blocks: FloatArray
    """Blocks that reach full scale (indexes)."""

    @property
    def block_seconds(self) -> float:
        """Return the length of a block in seconds."""
        return self.block_frames / self.rate_hz


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _ChunkLevels:
    """What `TakeCourse` holds, of one chunk."""

    peak: FloatArray
    power: FloatArray
    bands_db: FloatArray
    full_scale_blocks: FloatArray


def course_of(take: TakeAudio, progress: Callable[[int], None] | None = None) -> TakeCourse:
    """Return the course of a take, reading it once, its first two seconds twice.

    progress : called with the number of frames that are done.
    """
    rate = take.rate_hz
    block = max(1, round(rate * 0.001))
    hop = block * round(HOP_SECONDS / 0.001)
    chunk = hop * round(_CHUNK_SECONDS / HOP_SECONDS)
    offset = _constant_part(take.read(0, chunk), rate, take.channels)
    meter = _Meter(rate, block, hop, offset)
    peaks, powers, bands, full = (bytearray() for _ in range(4))  # grow without being copied
    done = frames = 0
    lead = np.tile(offset, (meter.lead_frames, 1))
    chunks = _with_lead(_even_chunks(take.blocks(chunk), chunk, block), lead)
    for levels in side_by_side(meter.levels, chunks):
        peaks += levels.peak.tobytes()
        powers += levels.power.tobytes()
        bands += levels.bands_db.tobytes()
        full += (done + levels.full_scale_blocks).tobytes()
        done += len(levels.peak)
        frames += len(levels.peak) * block
        if progress is not None:
            progress(frames)
    return TakeCourse(
        rate_hz=rate,
        block_frames=block,
        frames=frames,
        offset=offset,
        peak=np.frombuffer(peaks, np.float32),
        power=np.frombuffer(powers, np.float32),
        bands_db=np.frombuffer(bands, np.float16).reshape(-1, meter.bands),
        full_scale_blocks=np.frombuffer(full, np.int64),
    )


def _constant_part(samples: FloatArray, rate_hz: int, channels: int) -> FloatArray:
    """Return the mean of the quietest tenth of a second, a value a channel."""
    if not len(samples):
        return np.zeros(channels, np.float32)
    length = min(len(samples), round(0.1 * rate_hz))
    count = len(samples) // length
    parts = samples[: count * length].reshape(count, length, -1)
    quietest = int(np.argmin(parts.var(axis=1).sum(axis=1)))
    return np.asarray(parts[quietest].mean(axis=0, dtype=np.float64), np.float32)


def _even_chunks(blocks: Iterable[FloatArray], chunk: int, block: int) -> Iterator[FloatArray]:
    """Yield the blocks; the last is cut to whole milliseconds."""
    for samples in blocks:
        whole = len(samples) if len(samples) == chunk else len(samples) // block * block
        if whole:
            yield samples[:whole]


def _with_lead(chunks: Iterable[FloatArray], lead: FloatArray) -> Iterator[FloatArray]:
    """Yield every chunk behind the frames that come before it; `lead` is before the first."""
    for samples in chunks:
        joined = np.concatenate([lead, samples])
        lead = joined[len(joined) - len(lead) :]
        yield joined


def band_bins(rate_hz: int) -> FloatArray:
    """Return how many FFT bins each band takes together."""
    bins = _window_frames(rate_hz) // 2 + 1
    return np.diff(np.append(_band_edges(rate_hz), bins)).astype(np.float32)


def _window_frames(rate_hz: int) -> int:
    return round(_WINDOW_SECONDS / 0.001) * max(1, round(rate_hz * 0.001))


def _band_edges(rate_hz: int) -> FloatArray:
    bins_hz = np.fft.rfftfreq(_window_frames(rate_hz), 1 / rate_hz)
    edges = np.searchsorted(bins_hz, _BAND_EDGES_HZ[0.45 * rate_hz > _BAND_EDGES_HZ])
    return np.unique(np.concatenate([[1], edges]))


class _Meter:
    """Levels of a chunk; band powers come from Hann windows of 20 ms, every 10 ms."""

    def __init__(self, rate_hz: int, block: int, hop: int, offset: FloatArray) -> None:
        self._block, self._hop, self._offset = block, hop, offset
        self._most_offset = float(np.abs(offset).max()) + 1e-4
        self._window_frames = _window_frames(rate_hz)
        window = np.hanning(self._window_frames).astype(np.float32)
        self._window = window / np.sqrt(np.sum(window.astype(np.float64) ** 2)).astype(np.float32)
        self._edges = _band_edges(rate_hz)
        self.bands = len(self._edges)
        self.lead_frames = self._window_frames - hop
        """A window is centred on its hop, and so begins before its chunk."""

    def levels(self, samples: FloatArray) -> _ChunkLevels:
        """Return the levels of a chunk that comes behind its lead."""
        planes = np.empty(samples.shape[::-1], np.float32)
        for plane, channel, constant in zip(planes, samples.T, self._offset, strict=True):
            np.subtract(channel, constant, out=plane)
        blocks = planes[:, self.lead_frames :].reshape(len(planes), -1, self._block)
        raw = samples[self.lead_frames :].reshape(blocks.shape[1], -1)
        peak = np.abs(blocks).max(axis=0).max(axis=1)
        near = np.flatnonzero(peak >= _FULL_SCALE - self._most_offset)
        return _ChunkLevels(
            peak=peak,
            power=np.einsum("cij,cij->i", blocks, blocks) / raw.shape[1],
            bands_db=self._bands_db(planes),
            full_scale_blocks=near[np.abs(raw[near]).max(axis=1) >= _FULL_SCALE],
        )

    def _bands_db(self, planes: FloatArray) -> FloatArray:
        if planes.shape[1] < self._window_frames:
            return np.zeros((0, self.bands), np.float16)
        banded: FloatArray = np.zeros(1, np.float32)
        for plane in planes:
            windows = np.lib.stride_tricks.sliding_window_view(plane, self._window_frames)
            windowed = windows[:: self._hop] * self._window
            parts = scipy.fft.rfft(windowed, axis=1, overwrite_x=True).view(np.float32)
            np.square(parts, out=parts)  # in place: new memory costs as much as the sums
            banded = banded + np.add.reduceat(parts, 2 * self._edges, axis=1)
        power = banded * np.float32(2 / (self._window_frames * len(planes)))
        return np.asarray(10 * np.log10(power + _LEAST_POWER), np.float16)
