"""The long loops of a sustain: the cheapest candidates, refined at full rate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from keymapper.measuring.loops.candidates import (
    Bounds,
    Candidates,
    pair_candidates,
    periodic_candidates,
    waveform_candidates,
)
from keymapper.measuring.loops.cost import choice_cost, shortlist_cost
from keymapper.measuring.loops.crossfade import fade_frames
from keymapper.measuring.loops.pitch_step import pitch_steps_cents, usual_step_cents
from keymapper.measuring.loops.rarity import QuickLevels, quick_levels, quick_rarity
from keymapper.measuring.loops.region import SustainRegion
from keymapper.measuring.loops.sustain import Sustain, sways
from keymapper.measuring.loops.traits import Traits, likenesses, measure_traits, with_wobble
from keymapper.measuring.loops.trial import cheapest_fade, fades_to_try
from keymapper.measuring.loops.waveform import (
    coarse_wave,
    correlation_at,
    full_rate_correlations,
    template_seconds,
)
from keymapper.model.loop import Loop, LoopKind

CLOSER_LOOK = 24
REFINED = 12
TRIED = 3
#: Loops of shorter sustains are finished and listened to before one is chosen; more are tried.
AUDITIONED_SECONDS, TRIED_FOR_AUDITION = 2.0, 5
SURE_CORRELATION = 0.9995
UNLIKE_SECONDS = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLoop:
    """A loop with its crossfade, the waveform correlation at its join, its cost in all.

    ``repetition_db`` is how far its cycling is heard.
    """

    kind: LoopKind
    loop: Loop
    correlation: float
    fade_frames: int
    cost: float
    repetition_db: float = 0.0


def find_long_loops(
    samples: np.ndarray,
    sustain: Sustain,
    region: SustainRegion,
    bounds: Bounds,
    f0_hz: float | None,
) -> Iterator[FoundLoop]:
    """Yield the best loops within the bounds, refined at full rate, the cheapest first."""
    rate = sustain.rate
    template = round(template_seconds(f0_hz) * rate)
    coarse = coarse_wave(samples, rate, region.start_frame, region.end_frame, template)
    if coarse.template_frames < 8:
        return
    distances = np.minimum(sustain.distances, sustain.level_distances)
    found = waveform_candidates(coarse, bounds, rate).and_also(
        pair_candidates(coarse, sustain.envelope, distances, sustain.achievable_db, bounds)
    )
    short = region.seconds(rate) < AUDITIONED_SECONDS
    if sways(f0_hz) and sustain.period.certainty > 0:
        found = found.and_also(
            periodic_candidates(coarse, sustain.period, sustain.envelope, distances, bounds)
        )
    if len(found.starts) == 0:
        return
    traits = measure_traits(found, sustain, bounds)
    apart = round(UNLIKE_SECONDS * rate)
    closer = _unlike(found, shortlist_cost(traits), apart, CLOSER_LOOK)
    found = found.chosen(closer)
    traits = replace(
        with_wobble(traits.chosen(closer), found, sustain),
        pitch_cents=np.abs(pitch_steps_cents(coarse, found.ends, found.starts)),
        usual_cents=np.full(len(closer), usual_step_cents(coarse.mono(), coarse.rate_hz, f0_hz)),
    )
    order = _unlike(found, shortlist_cost(traits), apart, REFINED)
    found = _refined(samples, found.chosen(order), coarse.factor, template)
    quick = quick_levels(samples, rate, region.start_frame, region.end_frame)
    traits = traits.chosen(order)
    traits = _with_full_rate_look(traits, found, samples, quick, bounds, template)
    unlike, unlike_wide = likenesses(found, sustain, bounds)
    traits = replace(traits, unlike=unlike, unlike_wide=unlike_wide)
    most = TRIED_FOR_AUDITION if short else TRIED
    best = np.argsort(choice_cost(traits), kind="stable")[:most]
    yield from _tried(samples, sustain, quick, found.chosen(best), traits.chosen(best), bounds)


def given_loop(
    samples: np.ndarray, sustain: Sustain, loop: Loop, bounds: Bounds, f0_hz: float | None
) -> FoundLoop:
    """Return a loop someone else chose, with its correlation, crossfade and cost."""
    template = min(round(template_seconds(f0_hz) * sustain.rate), loop.start_frame)
    start, end = np.array([loop.start_frame]), np.array([loop.end_frame])
    rho = full_rate_correlations(samples, start, loop.end_frame, template)
    found = Candidates(starts=start, ends=end, correlation=rho)
    traits = measure_traits(found, sustain, bounds)
    traits = with_wobble(traits, found, sustain)
    unlike, unlike_wide = likenesses(found, sustain, bounds)
    traits = replace(traits, unlike=unlike, unlike_wide=unlike_wide)
    quick = quick_levels(samples, sustain.rate, bounds.first_frame, bounds.last_end)
    (tried,) = _tried(samples, sustain, quick, found, traits, bounds)
    return tried


def _tried(
    samples: np.ndarray,
    sustain: Sustain,
    quick: QuickLevels,
    found: Candidates,
    traits: Traits,
    bounds: Bounds,
) -> Iterator[FoundLoop]:
    """Yield candidates by what they cost once their joins have been tried.

    The estimates tell in which order to try them, and when the next cannot be cheaper: what nobody
    asks for is not tried.
    """
    estimates = choice_cost(traits)
    order = np.argsort(estimates, kind="stable")
    tried: list[FoundLoop] = []
    for index in order:
        while tried and tried[0].cost <= estimates[index]:
            yield tried.pop(0)
        start, end = int(found.starts[index]), int(found.ends[index])
        rho, cost = float(found.correlation[index]), float(estimates[index])
        fade = fade_frames(rho, end - start, start - bounds.first_frame, sustain.rate)
        if rho < SURE_CORRELATION:
            one, fades = np.array([index]), fades_to_try(fade, sustain.rate)
            fade, cost = cheapest_fade(
                samples, sustain, quick, found.chosen(one), traits.chosen(one), fades
            )
        tried.append(
            FoundLoop(
                kind="long",
                loop=Loop(start_frame=start, end_frame=end),
                correlation=rho,
                fade_frames=fade,
                cost=cost,
                repetition_db=float(traits.repetition_db[index]),
            )
        )
        tried.sort(key=lambda loop: loop.cost)
    yield from tried


def _unlike(found: Candidates, cost: np.ndarray, apart_frames: int, most: int) -> np.ndarray:
    """Return the cheapest candidates of which no two have both ends near each other.

    No more than a third have the same length: what speaks against it may only show later.
    """
    lengths = found.ends - found.starts
    kept: list[int] = []
    for index in np.argsort(cost, kind="stable"):
        near = np.abs(found.starts[kept] - found.starts[index]) < apart_frames
        alike = np.abs(lengths[kept] - lengths[index]) < apart_frames
        if not (near & alike).any() and 3 * np.count_nonzero(alike) < most:
            kept.append(int(index))
        if len(kept) == most:
            break
    return np.array(kept)


def _refined(samples: np.ndarray, found: Candidates, factor: int, template: int) -> Candidates:
    """Move every start to the best frame within one coarse sample, correlated at full rate."""
    starts, correlation = found.starts.copy(), found.correlation.copy()
    for index, (start, end) in enumerate(zip(found.starts, found.ends, strict=True)):
        near = np.arange(start - factor, start + factor + 1)
        rho = full_rate_correlations(samples, near, int(end), min(template, int(near[0])))
        best = int(np.argmax(rho))
        starts[index], correlation[index] = near[best], rho[best]
    return Candidates(starts=starts, ends=found.ends, correlation=correlation)


def _with_full_rate_look(
    traits: Traits,
    found: Candidates,
    samples: np.ndarray,
    quick: QuickLevels,
    bounds: Bounds,
    template: int,
) -> Traits:
    """Add what only the full rate shows: how the waveform goes on, unusual moments."""
    last = bounds.last_end
    after = [
        1 - correlation_at(samples, int(start), int(end), min(template, last - int(end)))
        if last - end > template // 2
        else 0.0
        for start, end in zip(found.starts, found.ends, strict=True)
    ]
    return replace(
        traits,
        mismatch=1 - found.correlation,
        after=np.array(after),
        quick_rarity=quick_rarity(quick, found.starts, found.ends),
    )
