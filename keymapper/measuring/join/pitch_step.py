"""The pitch step at a join, from log-frequency spectra just before and after it."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import fft

from keymapper.measuring.join.levels import hann
from keymapper.measuring.join.novelty import Ground
from keymapper.measuring.join.sustain import played

WINDOW_SECONDS = 0.120
GRID_CENTS = 3.0
LOWEST_HZ = 50.0
HIGHEST_HZ = 8000.0
REACH_CENTS = 90.0
JUST_HEARD_CENTS = 5.0
YARDSTICK = 1.12
SHORT_LOOP_SECONDS = 0.3
NATURAL_PAIRS = 10
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
    joins = [_pair(ground, wrap - window, wrap, window) for wrap in ground.wraps()]
    if ground.end - ground.start < SHORT_LOOP_SECONDS * ground.rate:
        settled = ground.end + math.ceil(2 * window / (ground.end - ground.start)) * (
            ground.end - ground.start
        )
        before = ground.start - window
        if before >= 0:
            joins.append(_pair(ground, before, settled, window))
    places = np.arange(NATURAL_PAIRS) * GOLDEN % 1  # even spacing could keep step with a vibrato
    firsts = (places * (natural.shape[1] - 2 * window)).astype(int)
    pairs = [natural[:, first : first + 2 * window] for first in np.unique(firsts)]
    own = [abs(_shift_cents(p[:, :window], p[:, window:], ground.rate)) for p in pairs]
    steps = [abs(_shift_cents(before, after, ground.rate)) for before, after in joins]
    threshold = max(JUST_HEARD_CENTS, YARDSTICK * float(np.percentile(own, 95)))
    return 20 * math.log10(max(max(steps), 1e-6) / threshold)


def _pair(ground: Ground, first: int, second: int, window: int) -> tuple[np.ndarray, np.ndarray]:
    shipped, start, end = ground.shipped, ground.start, ground.end
    return (
        played(shipped, start, end, first, first + window),
        played(shipped, start, end, second, second + window),
    )


def _shift_cents(before: np.ndarray, after: np.ndarray, rate: int) -> float:
    """Shift that best aligns the second log-frequency spectrum with the first."""
    one, two = _log_spectrum(before, rate), _log_spectrum(after, rate)
    reach = round(REACH_CENTS / GRID_CENTS)
    scores = np.array(
        [
            float((one[:, reach:-reach] * two[:, reach + k : two.shape[1] - reach + k]).sum())
            for k in range(-reach, reach + 1)
        ]
    )
    best = int(np.argmax(scores))
    if best in (0, len(scores) - 1):
        return (best - reach) * GRID_CENTS
    left, middle, right = scores[best - 1 : best + 2]
    bend = left - 2 * middle + right
    fine = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float((best - reach + fine) * GRID_CENTS)


@lru_cache(maxsize=16)
def _grid(rate: int, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Bins below the points of the log-frequency grid, and how far beyond them each lies."""
    points = np.arange(0, 1200 * math.log2(min(HIGHEST_HZ, 0.45 * rate) / LOWEST_HZ), GRID_CENTS)
    place = LOWEST_HZ * 2 ** (points / 1200) * size / rate
    low = place.astype(int)
    return low, (place - low).astype(np.float32)


def _log_spectrum(audio: np.ndarray, rate: int) -> np.ndarray:
    """Square root of the magnitude over log frequency, shape (views, points), mean removed."""
    frames = audio.shape[1]
    window = hann(frames)
    size = fft.next_fast_len(2 * frames, real=True)
    spectrum = np.sqrt(np.abs(fft.rfft(audio * window, n=size, axis=1)))
    low, part = _grid(rate, size)
    values = spectrum[:, low] * (1 - part) + spectrum[:, low + 1] * part
    return np.asarray(values - values.mean(axis=1, keepdims=True))
