"""How many cents apart two places of a note sound, from their log-frequency spectra."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import fft

from keymapper.measuring.loops.likeness import YARDSTICK
from keymapper.measuring.loops.waveform import CoarseWave

WINDOW_SECONDS = 0.120
GRID_CENTS = 5.0
REACH_CENTS = 60.0
LOWEST_HZ = 50.0
HIGHEST_HZ = 6000.0
JUST_HEARD_CENTS = 5.0
#: Where a note's own moments step nearly as far as is looked for, there is no tone to follow.
LOST_CENTS = 54.0
#: Of a lower tone the window holds too few for its partials to stand apart.
LEAST_PERIODS = 5
NATURAL_PAIRS = 12
#: Even spacing could keep step with a vibrato.
GOLDEN = 0.6180339887


def pitch_steps_cents(coarse: CoarseWave, ends: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Return the steps from the 120 ms before each end to the 120 ms after each start, in cents.

    Of the channels together; 0 where the sustain has no such stretch.

    ends, starts : int, frames of the note.
    """
    window = round(WINDOW_SECONDS * coarse.rate_hz)
    steps = np.zeros(len(ends))
    firsts = np.stack([coarse.index_of(ends) - window, coarse.index_of(starts)])
    heard = np.flatnonzero((firsts[0] >= 0) & (firsts[1] + window <= coarse.wave.shape[1]))
    if len(heard) == 0:
        return steps
    mono = coarse.mono()
    before, after = (
        mono[:, places[heard, None] + np.arange(window)].swapaxes(0, 1) for places in firsts
    )
    steps[heard] = steps_cents(before, after, coarse.rate_hz)
    return steps


def usual_step_cents(sustain: np.ndarray, rate_hz: float, f0_hz: float | None = None) -> float:
    """Return the step of pitch in cents that nearly all moments of a sustain keep under.

    At least what is just heard; infinite where steps tell nothing.

    sustain : float, shape (channels, frames).
    """
    if f0_hz is not None and f0_hz * WINDOW_SECONDS < LEAST_PERIODS:
        return math.inf
    window = round(WINDOW_SECONDS * rate_hz)
    last = sustain.shape[1] - 2 * window
    if last < 0:
        return JUST_HEARD_CENTS
    firsts = (np.arange(NATURAL_PAIRS) * GOLDEN % 1 * last).astype(int)
    both = sustain[:, firsts[:, None] + np.arange(2 * window)].swapaxes(0, 1)
    steps = np.abs(steps_cents(both[:, :, :window], both[:, :, window:], rate_hz))
    usual = float(np.percentile(steps, 95))
    return max(JUST_HEARD_CENTS, YARDSTICK * usual) if usual < LOST_CENTS else math.inf


def steps_cents(before: np.ndarray, after: np.ndarray, rate_hz: float) -> np.ndarray:
    """Return the step of pitch from each stretch of audio to its partner, in cents.

    before, after : float, shape (pairs, channels, frames).
    """
    reach = round(REACH_CENTS / GRID_CENTS)
    left, right = (_log_spectra(part, rate_hz) for part in (before, after))
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


def _log_spectra(stretches: np.ndarray, rate_hz: float) -> np.ndarray:
    """Square roots of the magnitudes over log frequency along the last axis, less their mean."""
    window, size, low, part = _grid(stretches.shape[-1], rate_hz)
    spectra = fft.rfft(stretches * window, n=size, axis=-1)
    magnitude = np.sqrt(np.abs(spectra[..., : low[-1] + 2]))
    values = magnitude[..., low] * (1 - part) + magnitude[..., low + 1] * part
    return np.asarray(values - values.mean(axis=-1, keepdims=True))


@lru_cache(maxsize=16)
def _grid(frames: int, rate_hz: float) -> tuple[np.ndarray, int, np.ndarray, np.ndarray]:
    """Return a window, its transform's size, the bins below the points of the grid, how far on."""
    size = fft.next_fast_len(round(1.5 * frames), real=True)
    top = min(HIGHEST_HZ, 0.45 * rate_hz)
    cents = np.arange(0, 1200 * np.log2(top / LOWEST_HZ), GRID_CENTS)
    place = LOWEST_HZ * 2 ** (cents / 1200) * size / rate_hz
    low = place.astype(int)
    return np.hanning(frames).astype(np.float32), size, low, (place - low).astype(np.float32)
