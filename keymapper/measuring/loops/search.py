"""The long and the short loop of a sustain, each with its cost."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from keymapper.measuring.loops.candidates import (
    Bounds,
    Candidates,
    achievable_distance_db,
    lag_distances_db,
    pair_candidates,
    waveform_candidates,
)
from keymapper.measuring.loops.cost import WAVEFORM_WEIGHT, Sustain, costs, periodicity
from keymapper.measuring.loops.features import (
    HOP_SECONDS,
    Envelope,
    averaged_around,
    movement_db,
    slope_per_hop,
    trend_share,
)
from keymapper.measuring.loops.region import SustainRegion
from keymapper.measuring.loops.waveform import (
    TEMPLATE_SECONDS,
    coarse_wave,
    full_rate_correlations,
)
from keymapper.model.loop import Loop

SHORTEST_SECONDS = 0.020
LONGEST_SHORT_SECONDS = 0.065
SHORT_ENDS = 8
MISTUNING_WEIGHT = 0.2
SHORT_TEMPLATE_SECONDS = 0.040
REFINED = 10
FITTED_PART = 0.7
STEADY_SHARE = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLoop:
    """A loop, the waveform correlation at its join, and its cost."""

    loop: Loop
    correlation: float
    cost: float
    repetition_db: float = 0.0


def measure_sustain(envelope: Envelope, rate: int) -> Sustain:
    """Return what the search needs to know about the movement of a sustain."""
    levels = envelope.levels_db
    fitted = levels[round(len(levels) * (1 - FITTED_PART)) :]
    trend = slope_per_hop(fitted)
    place = np.arange(len(levels), dtype=levels.dtype)[:, None]
    distances = lag_distances_db(levels)
    level = lag_distances_db(levels - place * trend)
    return Sustain(
        envelope=envelope,
        around_db=averaged_around(levels),
        trend_db=trend,
        steady_trend_db=_steady_trend_db(fitted, trend),
        level_distances=level,
        distances=distances,
        achievable_db=achievable_distance_db(distances, round(0.1 / HOP_SECONDS)),
        movement_db=movement_db(envelope.levels_db),
        periodicity=periodicity(envelope.levels_db),
        rate=rate,
    )


def _steady_trend_db(levels_db: np.ndarray, trend: np.ndarray) -> np.ndarray:
    """Slope a hop of the bands that fall steadily, if the sound as a whole does; else zero."""
    loudness = 10 * np.log10(np.sum(10 ** (levels_db / 10), axis=1, keepdims=True))
    falls = slope_per_hop(loudness)[0] < 0 and trend_share(loudness)[0] > STEADY_SHARE
    steady = (trend_share(levels_db) > STEADY_SHARE) & (trend < 0)
    return np.asarray(np.where(steady & falls, trend, 0))


def find_long_loop(
    samples: np.ndarray, sustain: Sustain, region: SustainRegion, bounds: Bounds
) -> FoundLoop | None:
    """Return the cheapest loop within the bounds, refined at full rate; None if none fits."""
    rate = sustain.rate
    coarse = coarse_wave(samples, rate, region.start_frame, region.end_frame)
    if coarse.template_frames < 8:
        return None
    distances = np.minimum(sustain.distances, sustain.level_distances)
    found = waveform_candidates(coarse, bounds, rate).and_also(
        pair_candidates(coarse, sustain.envelope, distances, sustain.achievable_db, bounds)
    )
    if len(found.starts) == 0:
        return None
    total, repetition = costs(found, sustain, bounds)
    best = np.argsort(total, kind="stable")[:REFINED]
    refined = [
        replace(
            _refined(samples, found, int(index), float(total[index]), coarse.factor, rate),
            repetition_db=float(repetition[index]),
        )
        for index in best
        if np.isfinite(total[index])
    ]
    return min(refined, key=lambda candidate: candidate.cost, default=None)


def given_loop(samples: np.ndarray, sustain: Sustain, loop: Loop, bounds: Bounds) -> FoundLoop:
    """Return a loop someone else chose, with its correlation and cost."""
    template = min(round(TEMPLATE_SECONDS * sustain.rate), loop.start_frame)
    start, end = np.array([loop.start_frame]), np.array([loop.end_frame])
    rho = full_rate_correlations(samples, start, loop.end_frame, template)
    total, repetition = costs(Candidates(starts=start, ends=end, correlation=rho), sustain, bounds)
    return FoundLoop(
        loop=loop,
        correlation=float(rho[0]),
        cost=float(total[0]),
        repetition_db=float(repetition[0]),
    )


def _refined(
    samples: np.ndarray, found: Candidates, index: int, cost: float, factor: int, rate: int
) -> FoundLoop:
    """Move the start to the best frame within one coarse sample, and correct the cost."""
    start, end = int(found.starts[index]), int(found.ends[index])
    template = min(round(TEMPLATE_SECONDS * rate), start - factor)
    starts = np.arange(start - factor, start + factor + 1)
    rho = full_rate_correlations(samples, starts, end, template)
    best = int(np.argmax(rho))
    return FoundLoop(
        loop=Loop(start_frame=int(starts[best]), end_frame=end),
        correlation=float(rho[best]),
        cost=cost + WAVEFORM_WEIGHT * float(found.correlation[index] - rho[best]),
    )


def find_short_loop(
    samples: np.ndarray, sustain: Sustain, region: SustainRegion, f0_hz: float | None
) -> FoundLoop | None:
    """Return the best loop of 20 to 65 ms (one whole period under 50 Hz); None if none fits.

    At six ends in the last 40 % of the sustain the best-correlated start is sought. At 20 ms and
    more a whole-frame length is within 1 cent of a whole number of periods.
    """
    rate = sustain.rate
    shortest = round(SHORTEST_SECONDS * rate)
    longest = round(max(LONGEST_SHORT_SECONDS, 1.2 / f0_hz if f0_hz else 0) * rate)
    template = round(SHORT_TEMPLATE_SECONDS * rate)
    first_end = max(
        region.start_frame + longest + template,
        region.end_frame - round(0.4 * (region.end_frame - region.start_frame)),
    )
    lengths = np.arange(longest, shortest - 1, -1)
    mistuned = MISTUNING_WEIGHT * np.maximum(0, _mistuning_cents(lengths, f0_hz, rate) - 1)
    ends = np.unique(np.linspace(first_end, region.end_frame, SHORT_ENDS).astype(int))
    options = []
    for end in ends[ends <= region.end_frame]:
        if end - longest - template < 0:
            continue
        rho = full_rate_correlations(samples, end - lengths, int(end), template)
        joins = 9 * (1 - rho) + mistuned
        best = int(np.argmin(joins))
        near = sustain.envelope.index_at(np.array([end - lengths[best], end]))
        levels = sustain.envelope.levels_db[near[0] : near[1] + 1]
        moving = float(np.sqrt(np.mean((levels - levels.mean(axis=0)) ** 2)))
        options.append(
            FoundLoop(
                loop=Loop(start_frame=int(end - lengths[best]), end_frame=int(end)),
                correlation=float(rho[best]),
                cost=float(joins[best]) + 0.83 * moving + 0.6 * sustain.movement_db,
            )
        )
    return min(options, key=lambda candidate: candidate.cost, default=None)


def _mistuning_cents(lengths: np.ndarray, f0_hz: float | None, rate: int) -> np.ndarray:
    """How far each length is from a whole number of periods, heard as a tuning error."""
    if f0_hz is None:
        return np.zeros(len(lengths))
    periods = lengths * (f0_hz / rate)
    return np.asarray(np.abs(1200 * np.log2(periods / np.maximum(np.rint(periods), 1))))
