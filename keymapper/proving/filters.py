"""The low-pass of a voice."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import scipy.fft

RING_LEFT = 1e-6
LONGEST_RING_FRAMES = 2**20
_STEP = 2**13  # few sizes, so that their turns are kept
PLAYED_FILTERS = frozenset(("lpf_1p", "lpf_2p"))


def filtered(
    sound: np.ndarray, rate: int, kind: str, cutoff_hz: float, resonance_db: float
) -> np.ndarray:
    """Return `sound`, shape (frames, channels), through a low-pass.

    ``lpf_1p`` falls by 6 dB an octave and is 3 dB down at the cutoff (bilinear transform);
    ``lpf_2p`` falls by 12 dB an octave and has `resonance_db` at the cutoff (R. Bristow-Johnson,
    "Cookbook formulae for audio EQ biquad filter coefficients"). Other kinds change nothing.
    """
    if kind not in PLAYED_FILTERS:
        return sound
    angle = 2.0 * math.pi * min(max(cutoff_hz, 1.0), 0.49 * rate) / rate
    if kind == "lpf_1p":
        tangent = math.tan(angle / 2.0)
        numerator = np.array([tangent, tangent])
        denominator = np.array([1.0 + tangent, tangent - 1.0])
    else:
        alpha = math.sin(angle) / 2.0 / 10.0 ** (resonance_db / 20.0)
        low = 1.0 - math.cos(angle)
        numerator = np.array([low / 2.0, low, low / 2.0])
        denominator = np.array([1.0 + alpha, -2.0 * math.cos(angle), 1.0 - alpha])
    return _through(sound, numerator, denominator)


def _through(sound: np.ndarray, numerator: np.ndarray, denominator: np.ndarray) -> np.ndarray:
    """Return `sound` through a recursive filter, by its response at each frequency.

    Silence as long as the filter rings keeps its end out of the start. (One transform costs
    less than loading a library of filters.)
    """
    radius = min(float(np.abs(np.roots(denominator)).max()), 1.0 - 1e-9)
    ring = math.log(RING_LEFT) / math.log(radius) if radius > 0 else 0.0
    size = len(sound) + min(math.ceil(ring), LONGEST_RING_FRAMES)
    size = scipy.fft.next_fast_len(-(-(size + len(denominator)) // _STEP) * _STEP, real=True)
    spectrum = scipy.fft.rfft(sound.astype(np.float32, copy=False), size, axis=0)
    spectrum *= _response(size, tuple(numerator), tuple(denominator))[:, np.newaxis]
    filtered: np.ndarray = scipy.fft.irfft(spectrum, size, axis=0)[: len(sound)]
    return filtered


@lru_cache(maxsize=4)  # most notes of an instrument are played through one filter
def _response(
    size: int, numerator: tuple[float, ...], denominator: tuple[float, ...]
) -> np.ndarray:
    """Return the response of a filter at each frequency of a transform."""
    turn = _turn(size)
    response = np.polyval(numerator[::-1], turn) / np.polyval(denominator[::-1], turn)
    return np.asarray(response.astype(np.complex64))


@lru_cache(maxsize=4)
def _turn(size: int) -> np.ndarray:
    """Return the delay by one frame at each frequency of a transform."""
    return np.asarray(np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size))
