"""What sounds before a note: hum and the tail of the note before, predicted and taken away."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.linalg import LinAlgError, solve_toeplitz

from keymapper.slicing.course import FloatArray

HUM_PARTIALS = (1, 2, 3, 4, 5, 6, 8, 10, 12)
_HUM_BASES_HZ = (50.0, 60.0)
_HUM_SHARE = 0.08
"""Hum counts when it holds this share of the power of a quiet stretch; the quietest of a take has
less of it than others."""
_NO_BASES_HZ = (45.0, 55.0, 65.0)
_CLEARLY = 1.5
"""Rumble holds as much at frequencies of no mains; hum so many times that."""
_ORDER = 48


def hum_base_hz(quiet: FloatArray, rate_hz: int) -> float | None:
    """Return the mains frequency that a quiet stretch hums at, or None.

    quiet : float, shape (frames, channels), at least 0.1 s without a note.
    """
    power = float(np.var(quiet, axis=0).sum())
    if power <= 0 or len(quiet) < 0.1 * rate_hz:
        return None

    def share(base_hz: float) -> float:
        rest = quiet - hum_of(quiet, len(quiet), rate_hz, base_hz)
        return 1 - float(np.var(rest, axis=0).sum()) / power

    best = max(_HUM_BASES_HZ, key=share)
    by_chance = max(map(share, _NO_BASES_HZ))
    return best if share(best) > max(_HUM_SHARE, _CLEARLY * by_chance) else None


def hum_of(samples: FloatArray, known: int, rate_hz: int, base_hz: float) -> FloatArray:
    """Return hum and offset fitted to the first `known` frames and carried on to all of them.

    Least squares on the harmonics of the mains frequency; shape as `samples`.
    """
    seconds = np.arange(len(samples)) / rate_hz
    turning = np.exp(2j * np.pi * base_hz * seconds)
    waves = np.cumprod(np.broadcast_to(turning[:, None], (len(samples), HUM_PARTIALS[-1])), axis=1)
    waves = waves[:, np.array(HUM_PARTIALS) - 1]
    basis = np.concatenate([np.ones((len(samples), 1)), waves.real, waves.imag], axis=1)
    gram = basis[:known].T @ basis[:known] + 1e-9 * known * np.eye(basis.shape[1])
    weights = np.linalg.solve(gram, basis[:known].T @ samples[:known])
    return np.asarray(basis @ weights)


def innovation(samples: Sequence[float] | FloatArray, known: int) -> FloatArray:
    """Return what linear prediction from the past cannot explain, one channel, shape (frames,).

    The predictor (order 48, autocorrelation method with a Hann window) is fitted to the first
    `known` frames, so that a ringing tail leaves almost nothing and whatever begins after them
    stands out, even softly. Too short or silent a past leaves the samples as they are.
    """
    signal = np.asarray(samples, np.float64)
    if known < 4 * _ORDER:
        return signal
    spectrum = np.fft.rfft(signal[:known] * np.hanning(known), 2 * known)
    correlation = np.fft.irfft(np.abs(spectrum) ** 2)[: _ORDER + 1]
    correlation[0] = correlation[0] * (1 + 1e-9) + 1e-20
    try:
        taps = solve_toeplitz(correlation[:-1], correlation[1:])
    except LinAlgError:
        return signal
    return np.convolve(signal, np.concatenate([[1.0], -taps]))[: len(signal)]
