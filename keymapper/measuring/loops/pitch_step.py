"""How many cents apart two places of a note sound, from their log-frequency spectra."""

from __future__ import annotations

import numpy as np
from scipy import fft

WINDOW_SECONDS = 0.120
GRID_CENTS = 5.0
REACH_CENTS = 60.0
LOWEST_HZ = 80.0
HIGHEST_HZ = 6000.0


def pitch_step_cents(samples: np.ndarray, rate: int, end_frame: int, start_frame: int) -> float:
    """Return the step from the 120 ms before one frame to the 120 ms after another, in cents.

    samples : float, shape (frames, channels). 0 where the note has no such stretch.
    """
    window = round(WINDOW_SECONDS * rate)
    if end_frame < window or start_frame + window > len(samples):
        return 0.0
    pair = np.stack(
        [
            samples[end_frame - window : end_frame].mean(axis=1),
            samples[start_frame : start_frame + window].mean(axis=1),
        ]
    )
    before, after = _log_spectra(pair, rate)
    reach = round(REACH_CENTS / GRID_CENTS)
    shifted = np.lib.stride_tricks.sliding_window_view(after, len(after) - 2 * reach)
    scores = shifted @ before[reach:-reach]
    best = int(np.argmax(scores))
    fine = 0.0
    if 0 < best < 2 * reach:
        left, middle, right = scores[best - 1 : best + 2]
        fine = 0.5 * (left - right) / min(left - 2 * middle + right, -1e-12)
    return float((best - reach + fine) * GRID_CENTS)


def _log_spectra(pair: np.ndarray, rate: int) -> np.ndarray:
    """Square roots of the magnitudes over log frequency, less their mean."""
    size = fft.next_fast_len(round(1.5 * pair.shape[1]), real=True)
    window = np.hanning(pair.shape[1]).astype(np.float32)
    magnitude = np.sqrt(np.abs(fft.rfft(pair * window, n=size, axis=1)))
    cents = np.arange(0, 1200 * np.log2(min(HIGHEST_HZ, 0.45 * rate) / LOWEST_HZ), GRID_CENTS)
    place = LOWEST_HZ * 2 ** (cents / 1200) * size / rate
    low = place.astype(int)
    part = (place - low).astype(np.float32)
    values = magnitude[:, low] * (1 - part) + magnitude[:, low + 1] * part
    return np.asarray(values - values.mean(axis=1, keepdims=True))
