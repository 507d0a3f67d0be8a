"""Where the levels of a sustain drift, and how much of it a loop may have taken out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.loops.features import (
    STRETCHES,
    averaged_around,
    slope_certainty,
    slope_per_hop,
    stretch_means,
    trend_share,
)

FITTED_PART = 0.7
LEVELLED_AT_MOST = 2.0
STEADY_SHARE = 0.6
SURE_CERTAINTY = 1.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drift:
    """Levels averaged over +-100 ms, shape (times, levels), and their trend in dB a hop.

    The trend is 0 where the levels merely sway.
    """

    around_db: np.ndarray
    trend_db: np.ndarray

    def seen_db(self, at_start: np.ndarray, at_end: np.ndarray) -> np.ndarray:
        """Return the drift from start to end of each loop, shape (loops, levels)."""
        return np.asarray(self.around_db[at_end] - self.around_db[at_start])

    def levelled_db(self, at_start: np.ndarray, at_end: np.ndarray) -> np.ndarray:
        """Return the drift over each loop that may be taken out, shape (loops, levels).

        It is what the join shows, as far as the sustain as a whole surely moves the same way: a
        beat or a sweep that happens to differ at the join is no decay.
        """
        trend = LEVELLED_AT_MOST * self.trend_db * (at_end - at_start)[:, None]
        seen = self.seen_db(at_start, at_end)
        return np.asarray(np.clip(seen, np.minimum(trend, 0), np.maximum(trend, 0)))


def measure_drift(levels_db: np.ndarray) -> Drift:
    """Return the drift of levels, shape (times, levels)."""
    trend = _sure_slope_per_hop(_settled(levels_db))
    line = np.arange(len(levels_db), dtype=levels_db.dtype)[:, None] * trend
    # near the ends a mean alone leans inwards
    return Drift(around_db=averaged_around(levels_db - line) + line, trend_db=trend)


def _sure_slope_per_hop(levels_db: np.ndarray) -> np.ndarray:
    """Slope a hop of what surely rises or falls all along, by eight stretches of it; else zero.

    What is too short to sway rises or falls.
    """
    slopes = slope_per_hop(levels_db)
    if len(levels_db) < 2 * STRETCHES:
        return slopes
    sure = np.abs(slope_certainty(stretch_means(levels_db))) > SURE_CERTAINTY
    return np.where(sure, slopes, 0)


def steady_trend_db(levels_db: np.ndarray) -> np.ndarray:
    """Slope a hop of the bands that fall steadily, if the sound as a whole does; else zero."""
    levels_db = _settled(levels_db)
    trend = slope_per_hop(levels_db)
    loudness = 10 * np.log10(np.sum(10 ** (levels_db / 10), axis=1, keepdims=True))
    falls = slope_per_hop(loudness)[0] < 0 and trend_share(loudness)[0] > STEADY_SHARE
    steady = (trend_share(levels_db) > STEADY_SHARE) & (trend < 0)
    return np.asarray(np.where(steady & falls, trend, 0))


def _settled(levels_db: np.ndarray) -> np.ndarray:
    """Return the later part of levels, which tells how the sustain drifts."""
    return levels_db[round(len(levels_db) * (1 - FITTED_PART)) :]
