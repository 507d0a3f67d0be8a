"""The long loop of a sustain: the cheapest candidate, refined at full rate."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from keymapper.measuring.loops.candidates import (
    Bounds,
    Candidates,
    pair_candidates,
    waveform_candidates,
)
from keymapper.measuring.loops.cost import choice_cost, shortlist_cost
from keymapper.measuring.loops.pitch_step import pitch_steps_cents
from keymapper.measuring.loops.rarity import quick_rarity
from keymapper.measuring.loops.region import SustainRegion
from keymapper.measuring.loops.sustain import Sustain
from keymapper.measuring.loops.traits import Traits, likenesses, measure_traits, with_wobble
from keymapper.measuring.loops.waveform import (
    TEMPLATE_SECONDS,
    coarse_wave,
    correlation_at,
    full_rate_correlations,
)
from keymapper.model.loop import Loop

CLOSER_LOOK = 24
REFINED = 12
UNLIKE_SECONDS = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLoop:
    """A loop, the waveform correlation at its join, its cost, and how far its cycling is heard."""

    loop: Loop
    correlation: float
    cost: float
    repetition_db: float = 0.0


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
    traits = measure_traits(found, sustain, bounds)
    closer = _unlike(found, shortlist_cost(traits), round(UNLIKE_SECONDS * rate))
    found = found.chosen(closer)
    traits = with_wobble(traits.chosen(closer), found, sustain)
    order = np.argsort(shortlist_cost(traits), kind="stable")[:REFINED]
    found = _refined(samples, found.chosen(order), coarse.factor, rate)
    traits = _with_full_rate_look(traits.chosen(order), found, samples, region, rate)
    unlike, unlike_wide = likenesses(found, sustain, bounds)
    return _cheapest(found, replace(traits, unlike=unlike, unlike_wide=unlike_wide))


def given_loop(samples: np.ndarray, sustain: Sustain, loop: Loop, bounds: Bounds) -> FoundLoop:
    """Return a loop someone else chose, with its correlation and cost."""
    template = min(round(TEMPLATE_SECONDS * sustain.rate), loop.start_frame)
    start, end = np.array([loop.start_frame]), np.array([loop.end_frame])
    rho = full_rate_correlations(samples, start, loop.end_frame, template)
    found = Candidates(starts=start, ends=end, correlation=rho)
    traits = measure_traits(found, sustain, bounds)
    traits = with_wobble(traits, found, sustain)
    unlike, unlike_wide = likenesses(found, sustain, bounds)
    return _cheapest(found, replace(traits, unlike=unlike, unlike_wide=unlike_wide))


def _cheapest(found: Candidates, traits: Traits) -> FoundLoop:
    cost = choice_cost(traits)
    best = int(np.argmin(cost))
    return FoundLoop(
        loop=Loop(start_frame=int(found.starts[best]), end_frame=int(found.ends[best])),
        correlation=float(found.correlation[best]),
        cost=float(cost[best]),
        repetition_db=float(traits.repetition_db[best]),
    )


def _unlike(found: Candidates, cost: np.ndarray, apart_frames: int) -> np.ndarray:
    """Return the cheapest candidates of which no two have both ends near each other."""
    kept: list[int] = []
    for index in np.argsort(cost, kind="stable"):
        near = np.abs(found.starts[kept] - found.starts[index]) < apart_frames
        near &= np.abs(found.ends[kept] - found.ends[index]) < apart_frames
        if not near.any():
            kept.append(int(index))
        if len(kept) == CLOSER_LOOK:
            break
    return np.array(kept)


def _refined(samples: np.ndarray, found: Candidates, factor: int, rate: int) -> Candidates:
    """Move every start to the best frame within one coarse sample, correlated at full rate."""
    starts, correlation = found.starts.copy(), found.correlation.copy()
    for index, (start, end) in enumerate(zip(found.starts, found.ends, strict=True)):
        near = np.arange(start - factor, start + factor + 1)
        template = min(round(TEMPLATE_SECONDS * rate), int(near[0]))
        rho = full_rate_correlations(samples, near, int(end), template)
        best = int(np.argmax(rho))
        starts[index], correlation[index] = near[best], rho[best]
    return Candidates(starts=starts, ends=found.ends, correlation=correlation)


def _with_full_rate_look(
    traits: Traits, found: Candidates, samples: np.ndarray, region: SustainRegion, rate: int
) -> Traits:
    """Add what only the full rate shows: pitch, how the waveform goes on, unusual moments."""
    first, last = region.start_frame, region.end_frame
    longest = round(TEMPLATE_SECONDS * rate)
    after = [
        1 - correlation_at(samples, int(start), int(end), min(longest, last - int(end)))
        if last - end > longest // 2
        else 0.0
        for start, end in zip(found.starts, found.ends, strict=True)
    ]
    return replace(
        traits,
        mismatch=1 - found.correlation,
        after=np.array(after),
        pitch_cents=np.abs(pitch_steps_cents(samples, rate, found.ends, found.starts)),
        quick_rarity=quick_rarity(
            samples[first:last], rate, found.starts - first, found.ends - first
        ),
    )
