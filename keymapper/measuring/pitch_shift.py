"""How many cents apart stretches of audio sound, from their log-frequency spectra."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

LOWEST_HZ = 50.0
PADDED = 1.5
#: Even spacing could keep step with a vibrato.
GOLDEN = 0.6180339887


@dataclass(frozen=True, slots=True, kw_only=True)
class CentGrid:
    """How finely, how far and up to where two spectra are moved against each other."""

    step_cents: float
    reach_cents: float
    highest_hz: float


def pitch_shifts_cents(
    before: np.ndarray, after: np.ndarray, rate_hz: float, grid: CentGrid
) -> np.ndarray:
    """Return the shift that best aligns the spectrum of each stretch with its partner's, in cents.

    Square roots of magnitudes over log frequency, less their mean, correlated; the summit lies on
    the parabola through three points.

    before, after : float, shape (pairs, channels, frames).
    """
    reach = round(grid.reach_cents / grid.step_cents)
    left, right = (_log_spectra(stretches, rate_hz, grid) for stretches in (before, after))
    left[:, :, :reach] = left[:, :, -reach:] = 0.0
    size = fft.next_fast_len(left.shape[2], real=True)
    products = fft.rfft(right, size) * fft.rfft(left, size).conj()
    scores = np.roll(fft.irfft(products.sum(axis=1), size), reach, axis=1)[:, : 2 * reach + 1]
    best = np.argmax(scores, axis=1)
    inner = np.clip(best, 1, 2 * reach - 1)
    low, middle, high = (np.take_along_axis(scores, inner[:, None] + k, 1) for k in (-1, 0, 1))
    fine = 0.5 * (low - high) / np.minimum(low - 2 * middle + high, -1e-12)
    fine = np.where(best == inner, fine[:, 0], 0)
    return np.asarray((best - reach + fine) * grid.step_cents)


def spread_firsts(last: int, count: int) -> np.ndarray:
    """Return ``count`` places from 0 to ``last``, in no step with anything that comes round."""
    return np.asarray((np.arange(count) * GOLDEN % 1 * last).astype(int))


def _log_spectra(stretches: np.ndarray, rate_hz: float, grid: CentGrid) -> np.ndarray:
    """Square roots of the magnitudes over log frequency along the last axis, less their mean."""
    window, size, low, part = _points(stretches.shape[-1], rate_hz, grid)
    spectra = fft.rfft(stretches * window, n=size, axis=-1)
    magnitude = np.sqrt(np.abs(spectra[..., : low[-1] + 2]))
    values = magnitude[..., low] * (1 - part) + magnitude[..., low + 1] * part
    return np.asarray(values - values.mean(axis=-1, keepdims=True))


@lru_cache(maxsize=16)
def _points(
    frames: int, rate_hz: float, grid: CentGrid
) -> tuple[np.ndarray, int, np.ndarray, np.ndarray]:
    """Return a window, its transform's size, the bins below the points of the grid, how far on."""
    size = fft.next_fast_len(round(PADDED * frames), real=True)
    octaves = math.log2(min(grid.highest_hz, 0.45 * rate_hz) / LOWEST_HZ)
    cents = np.arange(0, 1200 * octaves, grid.step_cents)
    place = LOWEST_HZ * 2 ** (cents / 1200) * size / rate_hz
    low = place.astype(int)
    window = np.hanning(frames + 2)[1:-1].astype(np.float32)
    return window, size, low, (place - low).astype(np.float32)
