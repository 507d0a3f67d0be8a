"""How well the waveform before one frame matches the waveform before another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

COARSE_HZ = 12000
TEMPLATE_SECONDS = 0.060
TEMPLATE_PERIODS = 4
LONGEST_TEMPLATE_SECONDS = 0.110
PRE_EMPHASIS = 0.9
BLOCK_FRAMES = 4096
FEW_PLACES = 32


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoarseWave:
    """A sustain at about 12 kHz, pre-emphasised so that a join is judged where the ear is sharp.

    ``wave`` has shape (channels, frames); its frame ``k`` is frame ``first_frame + k * factor``
    of the note. ``energy`` is the running sum of squares over both channels.
    """

    wave: np.ndarray
    energy: np.ndarray
    first_frame: int
    factor: int
    rate_hz: float
    template_frames: int

    def index_of(self, frames: np.ndarray) -> np.ndarray:
        """Coarse frame nearest to each frame of the note."""
        return np.asarray(np.rint((frames - self.first_frame) / self.factor).astype(int))

    def mono(self) -> np.ndarray:
        """Return the mean of the channels, shape (1, frames)."""
        return np.asarray(self.wave.mean(axis=0, keepdims=True))

    def energies_before(self, ends: np.ndarray) -> np.ndarray:
        """Energy of the template that ends at each coarse frame."""
        return np.asarray(self.energy[ends] - self.energy[ends - self.template_frames] + 1e-12)


def template_seconds(f0_hz: float | None) -> float:
    """Return how much waveform to compare: 60 ms, or four periods, so that low tones keep step."""
    if f0_hz is None:
        return TEMPLATE_SECONDS
    return min(max(TEMPLATE_SECONDS, TEMPLATE_PERIODS / f0_hz), LONGEST_TEMPLATE_SECONDS)


def coarse_wave(
    samples: np.ndarray, rate: int, start_frame: int, end_frame: int, template_frames: int
) -> CoarseWave:
    """Decimate one stretch of a note to about 12 kHz and pre-emphasise it.

    samples : float, shape (frames, channels), full scale 1.0.
    """
    factor = max(1, rate // COARSE_HZ)
    part = samples[start_frame:end_frame].astype(np.float32)
    wave = _every(part, factor)
    wave[:, 1:] -= PRE_EMPHASIS * wave[:, :-1].copy()
    wave[:, 0] = 0
    energy = np.concatenate([[0.0], np.cumsum((wave.astype(float) ** 2).sum(axis=0))])
    return CoarseWave(
        wave=wave,
        energy=energy,
        first_frame=start_frame,
        factor=factor,
        rate_hz=rate / factor,
        template_frames=min(round(template_frames / factor), wave.shape[1] // 3),
    )


def _every(samples: np.ndarray, factor: int) -> np.ndarray:
    """Return every ``factor``-th frame, free of aliases, shape (channels, frames)."""
    if factor == 1:
        return np.array(samples.T, order="C")
    import soxr

    return np.ascontiguousarray(soxr.resample(samples, factor, 1, quality="MQ").T)


def correlations(coarse: CoarseWave, ends: np.ndarray) -> np.ndarray:
    """Return the correlation of the template before each end with every stretch before it.

    Row ``i``, column ``j``: the template ending at ``ends[i]`` against the one ending at
    ``j + template_frames``, channels summed before normalising. Overlap-save by FFT; what lies
    well behind an end is not looked at and stays 0.
    """
    template = coarse.template_frames
    step = BLOCK_FRAMES - template + 1
    columns = coarse.wave.shape[1] - template + 1
    blocks = -(-columns // step)
    padded = np.pad(coarse.wave, ((0, 0), (0, blocks * step + template - 1 - coarse.wave.shape[1])))
    pieces = np.lib.stride_tricks.sliding_window_view(padded, BLOCK_FRAMES, axis=1)[:, ::step]
    templates = np.stack([coarse.wave[:, end - template : end] for end in ends])
    spectra = fft.rfft(pieces, axis=2)
    wanted = fft.rfft(templates, n=BLOCK_FRAMES, axis=2).conj()
    raw = np.zeros((len(ends), blocks, step), dtype=np.float32)
    for row, one in enumerate(wanted):
        used = min(blocks, int(ends[row]) // step + 1)
        product = one[0] * spectra[0, :used]
        for channel in range(1, len(spectra)):
            product += one[channel] * spectra[channel, :used]
        raw[row, :used] = fft.irfft(product, n=BLOCK_FRAMES, axis=1)[:, :step]
    raw = raw.reshape(len(ends), -1)
    energies = coarse.energies_before(np.arange(template, coarse.wave.shape[1] + 1))
    scale = (1 / np.sqrt(energies)).astype(np.float32)
    raw = raw[:, :columns]
    raw *= scale
    raw *= scale[ends - template, None]
    return raw


def correlations_near(
    coarse: CoarseWave, ends: np.ndarray, lows: np.ndarray, count: int
) -> np.ndarray:
    """Return the correlation before each end with that before ``count`` starts from each low on.

    ends, lows : int, coarse frames, one a row. Returns shape (rows, count).
    """
    template = coarse.template_frames
    size = fft.next_fast_len(template + count, real=True)
    sought = coarse.wave[:, ends[:, None] + np.arange(-template, 0)]
    around = coarse.wave[:, lows[:, None] + np.arange(-template, count - 1)]
    spectrum = fft.rfft(around, n=size, axis=2) * fft.rfft(sought, n=size, axis=2).conj()
    raw = fft.irfft(spectrum.sum(axis=0), n=size, axis=1)[:, :count]
    energies = coarse.energies_before(lows[:, None] + np.arange(count))
    return np.asarray(raw / np.sqrt(energies * coarse.energies_before(ends)[:, None]))


def peak_value(values: np.ndarray, index: np.ndarray) -> np.ndarray:
    """Height of the parabola through each peak and its neighbours along the last axis.

    A 12 kHz grid underrates how well high harmonics can match between its points.
    """
    inner = np.clip(index, 1, values.shape[-1] - 2)
    rows = np.arange(len(values))[:, None]
    left, middle, right = (values[rows, inner + k] for k in (-1, 0, 1))
    bend = left - 2 * middle + right
    shift = np.where(bend < 0, (left - right) / np.where(bend < 0, 2 * bend, 1), 0)
    top = middle - (left - right) * np.clip(shift, -1, 1) / 4
    return np.asarray(np.minimum(np.where(index == inner, top, values[rows, index]), 1.0))


def full_rate_correlations(
    samples: np.ndarray, start_frames: np.ndarray, end_frame: int, template_frames: int
) -> np.ndarray:
    """Return the correlations of first differences before each start with those before the end.

    samples : float, shape (frames, channels); consecutive ``start_frames``.
    """
    first, last = int(start_frames[0]), int(start_frames[-1])
    sought = _differences(samples, end_frame - template_frames, end_frame)
    around = _differences(samples, first - template_frames, last)
    length = sought.shape[1]
    squares = np.concatenate([[0.0], np.cumsum((around.astype(float) ** 2).sum(axis=0))])
    energies = squares[length:] - squares[: len(squares) - length]
    raw = _sliding_products(around, sought)
    return np.asarray(raw / np.sqrt(np.maximum(energies * float((sought**2).sum()), 1e-24)))


def _differences(samples: np.ndarray, first: int, last: int) -> np.ndarray:
    """First differences of some frames, shape (channels, frames)."""
    return np.diff(np.ascontiguousarray(samples[first:last].T))


def _sliding_products(around: np.ndarray, sought: np.ndarray) -> np.ndarray:
    """Return the inner products of one stretch with every stretch of another as long."""
    length = sought.shape[1]
    count = around.shape[1] - length + 1
    if count <= FEW_PLACES:
        places = range(count)
        return np.array([np.vdot(around[:, at : at + length], sought) for at in places])
    size = fft.next_fast_len(around.shape[1], real=True)
    spectrum = fft.rfft(around, n=size) * fft.rfft(sought, n=size).conj()
    return np.asarray(fft.irfft(spectrum.sum(axis=0), n=size)[:count])


def correlation_at(samples: np.ndarray, start: int, end: int, frames: int) -> float:
    """Return the correlation of first differences over ``frames`` from each of two frames on."""
    one, two = (np.diff(samples[first : first + frames], axis=0).ravel() for first in (start, end))
    return float(one @ two / np.sqrt(max(float(one @ one) * float(two @ two), 1e-24)))
