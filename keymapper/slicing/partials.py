"""What a sound is made of: the sine waves that stand out of its spectrum."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from keymapper.slicing.course import FloatArray

_LOWEST_HZ, HIGHEST_HZ = 25.0, 9600.0
_MOST_PARTIALS = 32
_ABOVE_MEDIAN = 30.0
_LEAST_SHARE = 1e-4
"""Of the strongest partial's power."""
_APART_BINS = 1.5
"""Closer than so many times the resolution of the sound, two partials are one that beats."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Partials:
    """Steady sine waves, strongest first: frequencies, and amplitudes (RMS over channels)."""

    hz: FloatArray
    amplitudes: FloatArray

    def above(self, amplitude: float) -> Partials:
        """Return those that are stronger."""
        strong = self.amplitudes > amplitude
        return Partials(hz=self.hz[strong], amplitudes=self.amplitudes[strong])


def partials_of(sound: FloatArray, rate_hz: float) -> Partials:
    """Return the strongest partials up to 9.6 kHz: peaks of the spectrum, by parabolas.

    sound : float, shape (frames, channels).
    """
    size = fft.next_fast_len(2 * len(sound), real=True)
    window = _window(len(sound))
    spectra = fft.rfft(sound.T.astype(np.float32) * window, size, axis=1)
    bin_hz = rate_hz / size
    first, end = math.ceil(_LOWEST_HZ / bin_hz), math.ceil(min(HIGHEST_HZ, 0.49 * rate_hz) / bin_hz)
    inner = spectra[:, first:end]
    power = (np.square(inner.real) + np.square(inner.imag)).mean(axis=0)
    hz: list[float] = []
    amplitudes: list[float] = []
    for peak in _peaks(power).tolist():
        low, top, high = np.log(power[peak - 1 : peak + 2] + 1e-30).tolist()
        place = (first + peak + 0.5 * (low - high) / (low - 2 * top + high)) * bin_hz
        if all(abs(place - other) > _APART_BINS * rate_hz / len(sound) for other in hz):
            hz.append(place)
            amplitudes.append(2 * math.sqrt(power[peak]) / float(window.sum()))
        if len(hz) == _MOST_PARTIALS:
            break
    return Partials(hz=np.array(hz), amplitudes=np.array(amplitudes))


@lru_cache(maxsize=8)
def _window(frames: int) -> FloatArray:
    return np.hanning(frames).astype(np.float32)


def _peaks(power: FloatArray) -> FloatArray:
    """Return the bins at which a spectrum peaks clearly, highest first."""
    if not power.any():
        return np.zeros(0, np.int64)
    middle = len(power) // 2
    median = float(np.partition(power, middle)[middle])
    least = max(_ABOVE_MEDIAN * median, _LEAST_SHARE * float(power.max()))
    high = np.flatnonzero(power[1:-1] > least) + 1
    peaks = high[(power[high] > power[high - 1]) & (power[high] >= power[high + 1])]
    return np.asarray(peaks[np.argsort(-power[peaks], kind="stable")])


def waves(hz: FloatArray, decay: float, frames: int, rate_hz: float) -> FloatArray:
    """Return cosines and sines from the first frame on, shape (frames, 2 * len(hz)).

    decay : nepers a second, by which all of them die away.
    """
    turning = np.exp((2j * np.pi * hz - decay) / rate_hz)
    turned = np.cumprod(np.broadcast_to(turning, (frames, len(hz))), axis=0)
    return np.concatenate([turned.real, turned.imag], axis=1)
