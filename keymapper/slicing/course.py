"""The course of a take: levels every millisecond and band powers every 10 ms, in one pass.

The take is streamed once in blocks; what stays in memory is 8 + 8 bytes a millisecond and one
half-precision decibel a band and hop, about 12 MB for ten minutes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import scipy.fft

FloatArray = np.ndarray[tuple[int, ...], np.dtype[Any]]

HOP_SECONDS = 0.01
_WINDOW_SECONDS = 0.02
_BAND_EDGES_HZ = np.geomspace(50.0, 20_000.0, 25)
_CHUNK_SECONDS = 2.0
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
class Course:
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


def course_of(take: TakeAudio, progress: Callable[[int], None] | None = None) -> Course:
    """Return the course of a take, reading it once.

    progress : called with the number of frames that are done.
    """
    rate = take.rate_hz
    block = max(1, round(rate * 0.001))
    hop = block * round(HOP_SECONDS / 0.001)
    chunk = hop * round(_CHUNK_SECONDS / HOP_SECONDS)
    spectra = _BandMeter(rate, hop)
    offset: FloatArray | None = None
    peaks: list[FloatArray] = []
    powers: list[FloatArray] = []
    bands: list[FloatArray] = []
    full: list[FloatArray] = []
    done = frames = 0
    for samples in _even_chunks(take.blocks(chunk), chunk, block):
        if offset is None:
            offset = _constant_part(samples, rate)
        at_full_scale = np.abs(samples).reshape(-1, block * samples.shape[1]).max(axis=1) >= 0.9999
        full.append(done + np.flatnonzero(at_full_scale))
        centred = (samples - offset).reshape(len(samples) // block, -1)
        peaks.append(np.maximum(centred.max(axis=1), -centred.min(axis=1)))
        powers.append(np.einsum("ij,ij->i", centred, centred) / centred.shape[1])
        bands.append(spectra.meter(centred.reshape(len(samples), -1)))
        done += len(samples) // block
        frames += len(samples)
        if progress is not None:
            progress(done * block)
    return Course(
        rate_hz=rate,
        block_frames=block,
        frames=frames,
        offset=offset if offset is not None else np.zeros(take.channels, np.float32),
        peak=_joined(peaks, np.zeros(0, np.float32)),
        power=_joined(powers, np.zeros(0, np.float32)),
        bands_db=_joined(bands, np.zeros((0, spectra.count), np.float16)),
        full_scale_blocks=_joined(full, np.zeros(0, np.int64)),
    )


def _joined(parts: list[FloatArray], empty: FloatArray) -> FloatArray:
    """Return the parts as one array, and let go of them: a long take has many."""
    joined = np.concatenate([empty, *parts])
    parts.clear()
    return joined


def _constant_part(samples: FloatArray, rate_hz: int) -> FloatArray:
    """Return the mean of the quietest tenth of a second, a value a channel."""
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


class _BandMeter:
    """Short-time band powers over chunk borders: Hann windows of 20 ms, every 10 ms."""

    def __init__(self, rate_hz: int, hop: int) -> None:
        self._hop = hop
        self._window_frames = _window_frames(rate_hz)
        window = np.hanning(self._window_frames).astype(np.float32)
        self._window = window / np.sqrt(np.sum(window.astype(np.float64) ** 2)).astype(np.float32)
        self._edges = _band_edges(rate_hz)
        self.count = len(self._edges)
        self._kept: FloatArray | None = None

    def meter(self, samples: FloatArray) -> FloatArray:
        """Return the bands of the windows that this chunk completes, in dB, half precision."""
        if self._kept is None:
            self._kept = np.zeros((self._window_frames - self._hop, samples.shape[1]), np.float32)
        joined = np.concatenate([self._kept, samples])
        count = max(0, (len(joined) - self._window_frames) // self._hop + 1)
        self._kept = joined[count * self._hop :]
        views = np.lib.stride_tricks.sliding_window_view(joined, self._window_frames, axis=0)
        power = np.zeros((count, self._window_frames // 2 + 1), np.float32)
        for channel in range(samples.shape[1]):
            windows = views[: count * self._hop : self._hop, channel] * self._window
            spectrum = scipy.fft.rfft(windows, axis=1)
            power += spectrum.real**2 + spectrum.imag**2
        banded = np.add.reduceat(power, self._edges, axis=1) * (2 / self._window_frames)
        decibels = 10 * np.log10(banded / samples.shape[1] + _LEAST_POWER)
        return decibels.astype(np.float16)
