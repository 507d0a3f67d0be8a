"""The long loop of a sustain: the cheapest candidate, refined at full rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.loops.candidates import (
    Bounds,
    Candidates,
    pair_candidates,
    waveform_candidates,
)
from keymapper.measuring.loops.cost import (
    RARITY_BEYOND,
    TO_CHOOSE,
    TO_SHORTLIST,
    measure_traits,
    with_closer_look,
)
from keymapper.measuring.loops.pitch_step import pitch_step_cents
from keymapper.measuring.loops.rarity import quick_rarity
from keymapper.measuring.loops.region import SustainRegion
from keymapper.measuring.loops.sustain import Sustain
from keymapper.measuring.loops.waveform import (
    TEMPLATE_SECONDS,
    coarse_wave,
    full_rate_correlations,
)
from keymapper.model.loop import Loop

CLOSER_LOOK = 24
UNLIKE_SECONDS = 0.02
REFINED = 12
PITCH_WEIGHT = 0.035
PITCH_BEYOND_WEIGHT = 0.14
PITCH_BEYOND_CENTS = 4.0
PITCH_AT_MOST_CENTS = 20.0
AFTER_WEIGHT = 0.5
RARITY_WEIGHT = 0.3
RARITY_BEYOND_WEIGHT = 1.7


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
    closer = _unlike(found, traits.cost(TO_SHORTLIST), CLOSER_LOOK, round(UNLIKE_SECONDS * rate))
    found = found.chosen(closer)
    traits = with_closer_look(traits.chosen(closer), found, sustain, bounds)
    order = np.argsort(traits.cost(TO_SHORTLIST), kind="stable")[:REFINED]
    held = samples[region.start_frame : region.end_frame]
    first = region.start_frame
    rare = quick_rarity(held, rate, found.starts[order] - first, found.ends[order] - first)
    total = traits.cost(TO_CHOOSE)
    total[order] += RARITY_WEIGHT * rare + RARITY_BEYOND_WEIGHT * np.maximum(
        0, rare - RARITY_BEYOND
    )
    options = []
    for index in order:
        loop, rho = _refined(samples, found, int(index), coarse.factor, rate)
        change = TO_CHOOSE.root * float(
            np.sqrt(max(0.0, 1 - rho)) - np.sqrt(max(0.0, traits.mismatch[index]))
        )
        options.append(
            FoundLoop(
                loop=loop,
                correlation=rho,
                cost=float(total[index]) + change + _join_cost(samples, loop, region, rate),
                repetition_db=float(traits.repetition_db[index]),
            )
        )
    return min(options, key=lambda option: option.cost, default=None)


def _unlike(found: Candidates, cost: np.ndarray, count: int, apart_frames: int) -> np.ndarray:
    """Return the cheapest candidates of which no two have both ends near each other."""
    kept: list[int] = []
    for index in np.argsort(cost, kind="stable"):
        near = np.abs(found.starts[kept] - found.starts[index]) < apart_frames
        near &= np.abs(found.ends[kept] - found.ends[index]) < apart_frames
        if not near.any():
            kept.append(int(index))
        if len(kept) == count:
            break
    return np.array(kept)


def _refined(
    samples: np.ndarray, found: Candidates, index: int, factor: int, rate: int
) -> tuple[Loop, float]:
    """Move a candidate's start to the best frame within one coarse sample; and its correlation."""
    start, end = int(found.starts[index]), int(found.ends[index])
    starts = np.arange(start - factor, start + factor + 1)
    template = min(round(TEMPLATE_SECONDS * rate), int(starts[0]))
    rho = full_rate_correlations(samples, starts, end, template)
    best = int(np.argmax(rho))
    return Loop(start_frame=int(starts[best]), end_frame=end), float(rho[best])


def given_loop(samples: np.ndarray, sustain: Sustain, loop: Loop, bounds: Bounds) -> FoundLoop:
    """Return a loop someone else chose, with its correlation and cost."""
    template = min(round(TEMPLATE_SECONDS * sustain.rate), loop.start_frame)
    start, end = np.array([loop.start_frame]), np.array([loop.end_frame])
    rho = full_rate_correlations(samples, start, loop.end_frame, template)
    found = Candidates(starts=start, ends=end, correlation=rho)
    traits = with_closer_look(measure_traits(found, sustain, bounds), found, sustain, bounds)
    return FoundLoop(
        loop=loop,
        correlation=float(rho[0]),
        cost=float(traits.cost(TO_CHOOSE)[0]),
        repetition_db=float(traits.repetition_db[0]),
    )


def _join_cost(samples: np.ndarray, loop: Loop, region: SustainRegion, rate: int) -> float:
    """Cost of a step in pitch, and of a waveform that goes on otherwise after the join."""
    step = pitch_step_cents(samples, rate, loop.end_frame, loop.start_frame)
    cents = min(abs(step), PITCH_AT_MOST_CENTS)
    after = min(round(TEMPLATE_SECONDS * rate), region.end_frame - loop.end_frame)
    cost = PITCH_WEIGHT * cents
    cost += PITCH_BEYOND_WEIGHT * max(0.0, cents - PITCH_BEYOND_CENTS)
    if after > round(TEMPLATE_SECONDS * rate / 2):
        start = np.array([loop.start_frame + after])
        rho = full_rate_correlations(samples, start, loop.end_frame + after, after)
        cost += AFTER_WEIGHT * (1 - float(rho[0]))
    return cost
