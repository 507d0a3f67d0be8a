"""The pitch step at a join, from log-frequency spectra just before and after it."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import fft

from keymapper.measuring.join.levels import hann
from keymapper.measuring.join.novelty import Ground
from keymapper.measuring.playing import played

WINDOW_SECONDS = 0.120
GRID_CENTS = 3.0
LOWEST_HZ = 50.0
HIGHEST_HZ = 8000.0
REACH_CENTS = 90.0
PADDED = 1.5
JUST_HEARD_CENTS = 5.0
YARDSTICK = 1.12
SHORT_LOOP_SECONDS = 0.3
NATURAL_PAIRS = 24
GOLDEN = 0.6180339887


def pitch_step_db(ground: Ground) -> float:
    """Return the pitch step over its threshold: 5 cents, or what the note does by itself.

    For loops under 0.3 s the sound before the loop is also compared with the settled loop, which
    shows a loop whose length mistunes it.
    """
    window = round(WINDOW_SECONDS * ground.rate)
    natural = ground.natural
    window = min(window, natural.shape[1] // 2)
    if window < 64:
        return -math.inf
    joins = [_joined(ground, wrap - window, wrap, window) for wrap in ground.wraps(window)]
    if ground.end - ground.start < SHORT_LOOP_SECONDS * ground.rate:
        settled = ground.end + math.ceil(2 * window / (ground.end - ground.start)) * (
            ground.end - ground.start
        )
        before = ground.start - window
        if before >= ground.natural_start:
            joins.append(_joined(ground, before, settled, window))
    places = np.arange(NATURAL_PAIRS) * GOLDEN % 1  # even spacing could keep step with a vibrato
    firsts = (places * (natural.shape[1] - 2 * window)).astype(int)
    own = [natural[:, first : first + 2 * window] for first in np.unique(firsts)]
    steps, natural_steps = (
        np.abs(_shifts_cents(np.stack(pairs), ground.rate)) for pairs in (joins, own)
    )
    threshold = max(JUST_HEARD_CENTS, YARDSTICK * float(np.percentile(natural_steps, 95)))
    return 20 * math.log10(max(float(steps.max()), 1e-6) / threshold)


def _joined(ground: Ground, first: int, second: int, window: int) -> np.ndarray:
    """Two windows of play, one after the other."""
    shipped, start, end = ground.shipped, ground.start, ground.end
    before = played(shipped, start, end, first, first + window)
    return np.concatenate([before, played(shipped, start, end, second, second + window)], axis=1)


def _shifts_cents(pairs: np.ndarray, rate: int) -> np.ndarray:
    """Shift of each pair that best aligns the spectrum of its second half with its first.

    pairs : shape (pairs, channels, frames).
    """
    window = pairs.shape[2] // 2
    halves = np.stack([pairs[:, :, :window], pairs[:, :, window:]])
    before, after = _log_spectra(halves, rate)
    reach = round(REACH_CENTS / GRID_CENTS)
    before[:, :, :reach] = before[:, :, -reach:] = 0.0
    size = fft.next_fast_len(after.shape[2] + 2 * reach, real=True)
    products = fft.rfft(before, size).conj() * fft.rfft(after, size)
    scores = np.roll(fft.irfft(products.sum(axis=1), size), reach, axis=1)[:, : 2 * reach + 1]
    return np.array([_peak(row) - reach for row in scores]) * GRID_CENTS


def _peak(scores: np.ndarray) -> float:
    """Place of the largest score, between the points by the parabola through three."""
    best = int(np.argmax(scores))
    if best in (0, len(scores) - 1):
        return best
    left, middle, right = (float(score) for score in scores[best - 1 : best + 2])
    bend = left - 2 * middle + right
    return best + (0.5 * (left - right) / bend if bend < 0 else 0.0)


@lru_cache(maxsize=16)
def _grid(rate: int, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Bins below the points of the log-frequency grid, and how far beyond them each lies."""
    points = np.arange(0, 1200 * math.log2(min(HIGHEST_HZ, 0.45 * rate) / LOWEST_HZ), GRID_CENTS)
    place = LOWEST_HZ * 2 ** (points / 1200) * size / rate
    low = place.astype(int)
    return low, (place - low).astype(np.float32)


def _log_spectra(audio: np.ndarray, rate: int) -> np.ndarray:
    """Square root of the magnitude over log frequency along the last axis, mean removed."""
    frames = audio.shape[-1]
    size = fft.next_fast_len(round(PADDED * frames), real=True)
    windowed = (audio * hann(frames)).reshape(-1, frames)
    low, part = _grid(rate, size)
    pieces = np.array_split(windowed, -(-len(windowed) // 8))
    parts = [np.abs(fft.rfft(piece, n=size)[:, : low[-1] + 2]) for piece in pieces]
    spectra = np.sqrt(np.concatenate(parts)).reshape(*audio.shape[:-1], -1)
    values = spectra[..., low] * (1 - part) + spectra[..., low + 1] * part
    return np.asarray(values - values.mean(axis=-1, keepdims=True))
