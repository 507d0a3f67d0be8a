"""How many cents apart two places of a note sound, from their log-frequency spectra."""

from __future__ import annotations

import numpy as np
from scipy import fft

WINDOW_SECONDS = 0.120
GRID_CENTS = 5.0
REACH_CENTS = 60.0
LOWEST_HZ = 50.0
HIGHEST_HZ = 6000.0


def pitch_steps_cents(
    samples: np.ndarray, rate: int, ends: np.ndarray, starts: np.ndarray
) -> np.ndarray:
    """Return the steps from the 120 ms before each end to the 120 ms after each start, in cents.

    samples : float, shape (frames, channels). 0 where the note has no such stretch.
    """
    window = round(WINDOW_SECONDS * rate)
    steps = np.zeros(len(ends))
    heard = np.flatnonzero((ends >= window) & (starts + window <= len(samples)))
    if len(heard) == 0:
        return steps
    before, after = (
        np.stack([samples[first : first + window] for first in firsts])
        for firsts in (ends[heard] - window, starts[heard])
    )
    steps[heard] = steps_cents(before, after, rate)
    return steps


def steps_cents(before: np.ndarray, after: np.ndarray, rate: int) -> np.ndarray:
    """Return the step of pitch from each stretch of audio to its partner, in cents.

    before, after : float, shape (pairs, frames, channels).
    """
    reach = round(REACH_CENTS / GRID_CENTS)
    left, right = (_log_spectra(part.transpose(0, 2, 1), rate) for part in (before, after))
    left[:, :, :reach] = left[:, :, -reach:] = 0.0
    size = fft.next_fast_len(left.shape[2], real=True)
    products = fft.rfft(right, size) * fft.rfft(left, size).conj()
    scores = np.roll(fft.irfft(products.sum(axis=1), size), reach, axis=1)[:, : 2 * reach + 1]
    best = np.argmax(scores, axis=1)
    inner = np.clip(best, 1, 2 * reach - 1)
    low, middle, high = (np.take_along_axis(scores, inner[:, None] + k, 1) for k in (-1, 0, 1))
    fine = 0.5 * (low - high) / np.minimum(low - 2 * middle + high, -1e-12)
    fine = np.where(best == inner, fine[:, 0], 0)
    return np.asarray((best - reach + fine) * GRID_CENTS)


def _log_spectra(stretches: np.ndarray, rate: int) -> np.ndarray:
    """Square roots of the magnitudes over log frequency along the last axis, less their mean."""
    size = fft.next_fast_len(round(1.5 * stretches.shape[-1]), real=True)
    window = np.hanning(stretches.shape[-1]).astype(np.float32)
    top = min(HIGHEST_HZ, 0.45 * rate)
    spectra = fft.rfft(stretches * window, n=size, axis=-1)
    magnitude = np.sqrt(np.abs(spectra[..., : int(top * size / rate) + 2]))
    cents = np.arange(0, 1200 * np.log2(top / LOWEST_HZ), GRID_CENTS)
    place = LOWEST_HZ * 2 ** (cents / 1200) * size / rate
    low = place.astype(int)
    part = (place - low).astype(np.float32)
    values = magnitude[..., low] * (1 - part) + magnitude[..., low + 1] * part
    return np.asarray(values - values.mean(axis=-1, keepdims=True))
