"""The K-weighting of ITU-R BS.1770: how much a frequency counts in loudness."""

from __future__ import annotations

import math

import numpy as np

LOUDNESS_OFFSET_DB = -0.691
"""From K-weighted power to LUFS: a sine of 997 Hz at full scale in one channel has -3.01 LUFS."""

_Coefficients = tuple[float, float, float]


def k_weighting(frequency_hz: np.ndarray, rate: int) -> np.ndarray:
    """Return the power gain of the K-weighting of ITU-R BS.1770 at the given frequencies.

    The two stages (high shelf, high pass) are the standard's, designed for any rate from their
    analogue parameters.
    """
    z = np.exp(-2j * np.pi * frequency_hz / rate)
    gain: np.ndarray = _power_response(z, *_shelf(rate)) * _power_response(z, *_high_pass(rate))
    return gain


def k_weighting_sections(rate: int) -> np.ndarray:
    """Return the K-weighting as second-order sections for a filter, shape (2, 6)."""
    stages = (_shelf(rate), _high_pass(rate))
    return np.array([[value / a[0] for value in (*b, *a)] for b, a in stages])


def _shelf(rate: int) -> tuple[_Coefficients, _Coefficients]:
    centre_hz, gain_db, q = 1681.9744509555319, 3.99984385397, 0.7071752369554193
    k = math.tan(math.pi * centre_hz / rate)
    high = 10 ** (gain_db / 20)
    band = high**0.499666774155
    b = (high + band * k / q + k * k, 2 * (k * k - high), high - band * k / q + k * k)
    return b, _denominator(k, q)


def _high_pass(rate: int) -> tuple[_Coefficients, _Coefficients]:
    centre_hz, q = 38.13547087613982, 0.5003270373253953
    k = math.tan(math.pi * centre_hz / rate)
    a = _denominator(k, q)
    return (a[0], -2.0 * a[0], a[0]), a


def _denominator(k: float, q: float) -> _Coefficients:
    return (1 + k / q + k * k, 2 * (k * k - 1), 1 - k / q + k * k)


def _power_response(z: np.ndarray, b: _Coefficients, a: _Coefficients) -> np.ndarray:
    """Return the power gain of one second-order section, at points on the unit circle."""
    upper = b[0] + z * (b[1] + z * b[2])
    lower = a[0] + z * (a[1] + z * a[2])
    return np.abs(upper / lower) ** 2
