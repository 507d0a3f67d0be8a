"""What the search knows about the movement of one sustain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeGuard

import numpy as np
from scipy import fft

from keymapper.measuring.loops.candidates import (
    achievable_distance_db,
    lag_distances_db,
    levelled_distances_db,
)
from keymapper.measuring.loops.drift import Drift, measure_drift
from keymapper.measuring.loops.features import (
    HOP_SECONDS,
    BandPowers,
    Envelope,
    averaged_powers,
    detrended,
    masked_levels,
    movement_db,
    wide_levels,
)
from keymapper.measuring.loops.likeness import Moments, measure_moments
from keymapper.measuring.loops.period import NO_PERIOD, Period, find_period

REACH_HOPS = 12
COMPARED_EVERY = 2
LEAST_USUAL_DB = 0.6
#: So much of a note must be seen again for it to repeat.
SURE_HOPS = 20
#: Of tones under this, levels seen at 43 ms sway with single periods, by more than a vibrato moves
#: them; over four of their periods what moves the tone is left.
LEVELS_SWAY_HZ, PERIODS_AVERAGED = 80.0, 4
#: Steady tones still move by 0.01 dB, and that comes round with the hops.
LEAST_MOVED_DB = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sustain:
    """The movement of one sustain.

    ``envelope`` holds the levels of about 24 ``bands``, ``wide`` of four, ``moments`` what joins
    are compared with in either, ``reach_hops`` to both sides (a third of the sustain in all, at
    most); ``around_db`` are the levels averaged over +-100 ms; ``distances`` the rms difference of
    every pair of times, ``level_distances`` the same with the trend taken out, ``achievable_db``
    the least that loops of this note come to; ``periodicity`` the autocorrelation at every lag,
    ``period`` what it repeats with.
    """

    bands: BandPowers
    envelope: Envelope
    wide: Envelope
    moments: Moments | None
    wide_moments: Moments | None
    reach_hops: int
    drift: Drift
    distances: np.ndarray
    level_distances: np.ndarray
    achievable_db: float
    movement_db: float
    periodicity: np.ndarray
    period: Period
    rate: int


def measure_sustain(bands: BandPowers, rate: int, f0_hz: float | None) -> Sustain:
    """Return what the search needs to know about the movement of a sustain.

    f0_hz : the pitch of the note, where it is known.
    """
    envelope = masked_levels(bands)
    levels = envelope.levels_db
    drift = measure_drift(levels)
    distances = lag_distances_db(levels)
    wide = wide_levels(bands)
    repeats = periodicity(levels)
    reach = reach_hops(len(levels))
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
        drift=drift,
        distances=distances,
        level_distances=levelled_distances_db(distances, drift.around_db, drift.trend_db),
        achievable_db=achievable_distance_db(distances, round(0.1 / HOP_SECONDS)),
        movement_db=movement_db(levels),
        periodicity=repeats,
        period=_low_period(bands, rate, f0_hz) if sways(f0_hz) else find_period(repeats),
        rate=rate,
    )


def sways(f0_hz: float | None) -> TypeGuard[float]:
    """Return whether a tone is so low that levels sway with its single periods."""
    return f0_hz is not None and f0_hz < LEVELS_SWAY_HZ


def _low_period(bands: BandPowers, rate: int, f0_hz: float) -> Period:
    """Return the period of what moves a low tone: a beat, a vibrato, a pulse width."""
    levels = masked_levels(averaged_powers(bands, rate, PERIODS_AVERAGED / f0_hz)).levels_db
    return find_period(periodicity(levels)) if movement_db(levels) > LEAST_MOVED_DB else NO_PERIOD


def reach_hops(times: int) -> int:
    """Return how far to both sides a join is compared, in hops: a third of the times in all."""
    return min(REACH_HOPS, max(1, times // 3) // 2)


def periodicity(levels_db: np.ndarray) -> np.ndarray:
    """Return the autocorrelation of detrended band levels at every lag.

    1 where the note repeats with it. Less, in proportion, where under 0.2 s of the note are left to
    compare: any two moments so short may happen to be alike.

    levels_db : shape (times, levels).
    """
    centred = detrended(levels_db)
    times = len(centred)
    size = fft.next_fast_len(2 * times, real=True)
    spectrum = fft.rfft(centred, n=size, axis=0)
    raw = fft.irfft((np.abs(spectrum) ** 2).sum(axis=1), n=size)[:times]
    energy = np.concatenate([[0.0], np.cumsum((centred.astype(float) ** 2).sum(axis=1))])
    lags = np.arange(times)
    early, late = energy[times - lags], energy[-1] - energy[lags]
    sure = np.minimum(1, (times - lags) / SURE_HOPS)
    return np.asarray(sure * raw / np.sqrt(np.maximum(early * late, 1e-12)))
