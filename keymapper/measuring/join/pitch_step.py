"""The pitch step at a join, from log-frequency spectra just before and after it."""

from __future__ import annotations

import math

import numpy as np

from keymapper.measuring.join.novelty import Ground
from keymapper.measuring.pitch_shift import CentGrid, pitch_shifts_cents, spread_firsts
from keymapper.measuring.playing import played

WINDOW_SECONDS = 0.120
GRID = CentGrid(step_cents=3.0, reach_cents=90.0, highest_hz=8000.0)
JUST_HEARD_CENTS = 5.0
YARDSTICK = 1.12
SHORT_LOOP_SECONDS = 0.3
NATURAL_PAIRS = 24


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
    firsts = np.unique(spread_firsts(natural.shape[1] - 2 * window, NATURAL_PAIRS))
    own = [natural[:, first : first + 2 * window] for first in firsts]
    steps, natural_steps = (_steps_cents(np.stack(pairs), ground.rate) for pairs in (joins, own))
    threshold = max(JUST_HEARD_CENTS, YARDSTICK * float(np.percentile(natural_steps, 95)))
    return 20 * math.log10(max(float(steps.max()), 1e-6) / threshold)


def _joined(ground: Ground, first: int, second: int, window: int) -> np.ndarray:
    """Two windows of play, one after the other."""
    shipped, start, end = ground.shipped, ground.start, ground.end
    before = played(shipped, start, end, first, first + window)
    return np.concatenate([before, played(shipped, start, end, second, second + window)], axis=1)


def _steps_cents(pairs: np.ndarray, rate: int) -> np.ndarray:
    """Return how far the pitch steps from the first half of each stretch to its second, in cents.

    pairs : shape (pairs, channels, frames).
    """
    before, after = np.split(pairs, 2, axis=2)
    return np.asarray(np.abs(pitch_shifts_cents(before, after, rate, GRID)))
