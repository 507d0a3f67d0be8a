"""The low-pass of a voice."""

from __future__ import annotations

import math

import numpy as np

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
    from scipy.signal import lfilter

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
    return np.asarray(lfilter(numerator, denominator, sound.astype(np.float64), axis=0))
