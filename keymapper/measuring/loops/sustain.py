"""What the search knows about the movement of one sustain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.measuring.loops.candidates import (
    achievable_distance_db,
    lag_distances_db,
    levelled_distances_db,
)
from keymapper.measuring.loops.features import (
    HOP_SECONDS,
    BandPowers,
    Envelope,
    averaged_around,
    detrended,
    masked_levels,
    movement_db,
    slope_per_hop,
    trend_share,
    wide_levels,
)
from keymapper.measuring.loops.likeness import Moments, measure_moments

REACH_HOPS = 12
COMPARED_EVERY = 2
LEAST_USUAL_DB = 0.6
LEVELLED_AT_MOST = 2.0
FITTED_PART = 0.7
STEADY_SHARE = 0.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sustain:
    """The movement of one sustain; slopes are dB a hop, one a view and band.

    ``envelope`` holds the levels of about 24 ``bands``, ``wide`` of four, ``moments`` what joins
    are compared with in either, ``reach_hops`` to both sides (a third of the sustain in all, at
    most); ``around_db`` are the levels averaged over +-100 ms; ``distances`` the rms difference of
    every pair of times, ``level_distances`` the same with the trend taken out, ``achievable_db``
    the least that loops of this note come to; ``periodicity`` the autocorrelation at every lag.
    """

    bands: BandPowers
    envelope: Envelope
    wide: Envelope
    moments: Moments | None
    wide_moments: Moments | None
    reach_hops: int
    around_db: np.ndarray
    trend_db: np.ndarray
    steady_trend_db: np.ndarray
    distances: np.ndarray
    level_distances: np.ndarray
    achievable_db: float
    movement_db: float
    periodicity: np.ndarray
    rate: int


def measure_sustain(bands: BandPowers, rate: int) -> Sustain:
    """Return what the search needs to know about the movement of a sustain."""
    envelope = masked_levels(bands)
    levels = envelope.levels_db
    fitted = levels[round(len(levels) * (1 - FITTED_PART)) :]
    trend = slope_per_hop(fitted)
    line = np.arange(len(levels), dtype=levels.dtype)[:, None] * trend
    around = averaged_around(levels - line) + line  # near the ends a mean alone leans inwards
    distances = lag_distances_db(levels)
    wide = wide_levels(bands)
    reach = min(REACH_HOPS, max(1, len(levels) // 3) // 2)
    moments, wide_moments = (
        measure_moments(
            one.levels_db,
            HOP_SECONDS,
            reach=reach,
            every=COMPARED_EVERY,
            least_db=LEAST_USUAL_DB,
        )
        for one in (envelope, wide)
    )
    return Sustain(
        bands=bands,
        envelope=envelope,
        wide=wide,
        moments=moments,
        wide_moments=wide_moments,
        reach_hops=reach,
        around_db=around,
        trend_db=trend,
        steady_trend_db=_steady_trend_db(fitted, trend),
        distances=distances,
        level_distances=levelled_distances_db(distances, around, trend),
        achievable_db=achievable_distance_db(distances, round(0.1 / HOP_SECONDS)),
        movement_db=movement_db(levels),
        periodicity=_periodicity(levels),
        rate=rate,
    )


def levelling_db(sustain: Sustain, at_start: np.ndarray, at_end: np.ndarray) -> np.ndarray:
    """Return the drift over each loop that may be taken out, shape (loops, views x bands).

    It is what the join shows, as far as the sustain as a whole moves the same way: a beat or a
    sweep that happens to differ at the join is no decay.
    """
    drift = sustain.around_db[at_end] - sustain.around_db[at_start]
    trend = LEVELLED_AT_MOST * sustain.trend_db * (at_end - at_start)[:, None]
    return np.asarray(np.clip(drift, np.minimum(trend, 0), np.maximum(trend, 0)))


def _periodicity(levels_db: np.ndarray) -> np.ndarray:
    """Autocorrelation of detrended band levels at every lag (1 = the note repeats with it)."""
    centred = detrended(levels_db)
    times = len(centred)
    size = fft.next_fast_len(2 * times, real=True)
    spectrum = fft.rfft(centred, n=size, axis=0)
    raw = fft.irfft((np.abs(spectrum) ** 2).sum(axis=1), n=size)[:times]
    energy = np.concatenate([[0.0], np.cumsum((centred.astype(float) ** 2).sum(axis=1))])
    lags = np.arange(times)
    early, late = energy[times - lags], energy[-1] - energy[lags]
    return np.asarray(raw / np.sqrt(np.maximum(early * late, 1e-12)))


def _steady_trend_db(levels_db: np.ndarray, trend: np.ndarray) -> np.ndarray:
    """Slope a hop of the bands that fall steadily, if the sound as a whole does; else zero."""
    loudness = 10 * np.log10(np.sum(10 ** (levels_db / 10), axis=1, keepdims=True))
    falls = slope_per_hop(loudness)[0] < 0 and trend_share(loudness)[0] > STEADY_SHARE
    steady = (trend_share(levels_db) > STEADY_SHARE) & (trend < 0)
    return np.asarray(np.where(steady & falls, trend, 0))
