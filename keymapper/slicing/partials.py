"""What a sound is made of: the sine waves that stand out of its spectrum."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.slicing.course import FloatArray

_LOWEST_HZ, HIGHEST_HZ = 25.0, 9600.0
_MOST_PARTIALS = 16
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
    window = np.hanning(len(sound)).astype(np.float32)
    spectra = fft.rfft(sound.T.astype(np.float32) * window, size, axis=1)
    parts = spectra.view(np.float32).reshape(len(spectra), -1, 2)
    powers = np.einsum("cij,cij->i", parts, parts) / np.float32(len(spectra))
    hertz = np.arange(len(powers)) * rate_hz / size
    heard = (hertz > _LOWEST_HZ) & (hertz < min(HIGHEST_HZ, 0.49 * rate_hz))
    power = np.where(heard, powers, 0.0)
    hz: list[float] = []
    amplitudes: list[float] = []
    for peak in _peaks(power, power[heard]):
        low, top, high = np.log(power[peak - 1 : peak + 2] + 1e-30)
        place = (peak + 0.5 * (low - high) / (low - 2 * top + high)) * rate_hz / size
        if all(abs(place - other) > _APART_BINS * rate_hz / len(sound) for other in hz):
            hz.append(float(place))
            amplitudes.append(2 * math.sqrt(power[peak]) / float(window.sum()))
        if len(hz) == _MOST_PARTIALS:
            break
    return Partials(hz=np.array(hz), amplitudes=np.array(amplitudes))


def _peaks(power: FloatArray, heard: FloatArray) -> FloatArray:
    """Return the bins at which a spectrum peaks clearly, highest first."""
    if not power.any():
        return np.zeros(0, np.int64)
    least = max(_ABOVE_MEDIAN * float(np.median(heard)), _LEAST_SHARE * float(power.max()))
    inner = power[1:-1]
    peaks = np.flatnonzero((inner > power[:-2]) & (inner >= power[2:]) & (inner > least)) + 1
    return np.asarray(peaks[np.argsort(-power[peaks], kind="stable")])


def waves(hz: FloatArray, decay: float, frames: int, rate_hz: float) -> FloatArray:
    """Return cosines and sines from the first frame on, shape (frames, 2 * len(hz)).

    decay : nepers a second, by which all of them die away.
    """
    turning = np.exp((2j * np.pi * hz - decay) / rate_hz)
    turned = np.cumprod(np.broadcast_to(turning, (frames, len(hz))), axis=0)
    return np.concatenate([turned.real, turned.imag], axis=1)
