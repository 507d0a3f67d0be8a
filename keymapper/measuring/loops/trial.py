"""The joins of the best candidates made for trial, each with two lengths of fade.

What the estimates of the search cannot know: where two waveforms that match only in part fall out
of step within the fade, a tone sags, shifts or leaves a trace.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from keymapper.measuring.loops.candidates import Candidates
from keymapper.measuring.loops.cost import choice_cost
from keymapper.measuring.loops.crossfade import crossfades
from keymapper.measuring.loops.features import (
    BandPowers,
    band_powers,
    masked_levels,
    wide_levels,
)
from keymapper.measuring.loops.likeness import risen, unlikeness
from keymapper.measuring.loops.pitch_step import WINDOW_SECONDS, steps_cents
from keymapper.measuring.loops.rarity import REACH_HOPS as QUICK_REACH_HOPS
from keymapper.measuring.loops.rarity import QuickLevels
from keymapper.measuring.loops.sustain import REACH_HOPS, Sustain
from keymapper.measuring.loops.traits import Traits

SHORTER_SECONDS = 0.03
SHORTER_RATIO = 0.7
#: Places of a join against the grid of moments, within a hop: nothing recorded keeps to it.
SHIFTS, QUICK_SHIFTS = 2, 8
QUICK_PERCENT = 75


def fades_to_try(longest: int, rate: int) -> list[int]:
    """Return the fade the correlation asks for, and a clearly shorter one where there is one."""
    shorter = round(SHORTER_SECONDS * rate)
    return [longest, shorter] if shorter < SHORTER_RATIO * longest else [longest]


def cheapest_fade(
    samples: np.ndarray,
    sustain: Sustain,
    quick: QuickLevels,
    one: Candidates,
    traits: Traits,
    fades: list[int],
) -> tuple[int, float]:
    """Return the fade, of those given, with which one candidate costs least, and that cost.

    samples : float, shape (frames, channels), the note. one, traits : of a single candidate.
    fades : frames.
    """
    rate = sustain.rate
    window, hop = sustain.bands.window_frames, sustain.bands.hop_frames
    before = REACH_HOPS * hop + window // 2 + hop // 2
    after = before + window % 2
    joins = _joined(samples, rate, one, fades, before, after)
    unlike, unlike_wide = _unlikenesses(joins, before, sustain, one, np.array(fades))
    pitch = round(WINDOW_SECONDS * rate)
    costs = choice_cost(
        replace(
            traits.chosen(np.zeros(len(fades), int)),
            unlike=unlike,
            unlike_wide=unlike_wide,
            quick_rarity=_quick_rarities(joins, before, quick, one),
            pitch_cents=np.abs(
                steps_cents(
                    np.stack([join[before - pitch : before].T for join in joins]),
                    np.stack([join[before : before + pitch].T for join in joins]),
                    rate,
                )
            ),
        )
    )
    best = int(np.argmin(costs))
    return fades[best], float(costs[best])


def _joined(
    samples: np.ndarray, rate: int, one: Candidates, fades: list[int], before: int, after: int
) -> list[np.ndarray]:
    """Return what is played around the join with each fade, ``before`` and ``after`` frames."""
    start, end = int(one.starts[0]), int(one.ends[0])
    leaving = np.array(samples[max(0, end - before) : end])
    leaving = np.pad(leaving, ((before - len(leaving), 0), (0, 0)), mode="edge")
    arriving = samples[start + np.arange(after) % (end - start)]
    joins = []
    for faded in crossfades(samples, rate, start, end, fades):
        seen = faded[-before:]
        joins.append(np.concatenate([leaving[: before - len(seen)], seen, arriving]))
    return joins


def _unlikenesses(
    joins: list[np.ndarray], before: int, sustain: Sustain, one: Candidates, fades: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return how unlike the note each join is, in third octaves and in wide bands."""
    bands, reach = sustain.bands, sustain.reach_hops
    joined = [
        replace(bands, powers=_powers(place, bands))
        for join in joins
        for place in _places(join, before, reach, bands.window_frames, bands.hop_frames, SHIFTS)
    ]
    at_start = sustain.envelope.index_at(one.starts)
    at_end = sustain.envelope.index_at(one.ends)
    drift = sustain.drift.levelled_db(at_start, at_end)
    left = 1 - risen(np.repeat(fades, SHIFTS) / bands.hop_frames, reach)[:, :, None]
    thirds = np.stack([masked_levels(join, sustain.envelope.floor).levels_db for join in joined])
    wide = np.stack([wide_levels(join, sustain.wide.floor).levels_db for join in joined])
    starts, ends = np.repeat(at_start, len(joined)), np.repeat(at_end, len(joined))
    unlike, unlike_wide = (
        unlikeness(moments, levels, starts, ends).reshape(-1, SHIFTS).min(axis=1)
        for moments, levels in (
            (sustain.moments, thirds - left * drift),
            (sustain.wide_moments, wide),
        )
    )
    return unlike, unlike_wide


def _quick_rarities(
    joins: list[np.ndarray], before: int, quick: QuickLevels, one: Candidates
) -> np.ndarray:
    """Return how unlike the note the 8 ms to both sides of each join are, seen at 5 ms.

    Three in four places within a hop are no more unlike: so brief a look depends on where in it a
    pulse falls.
    """
    places = [
        quick.levels_db(place)
        for join in joins
        for place in _places(
            join, before, QUICK_REACH_HOPS, quick.window_frames, quick.hop_frames, QUICK_SHIFTS
        )
    ]
    starts, ends = (np.repeat(quick.times(at), len(places)) for at in (one.starts, one.ends))
    rarities = unlikeness(quick.moments, np.stack(places), starts, ends)
    return np.asarray(np.percentile(rarities.reshape(-1, QUICK_SHIFTS), QUICK_PERCENT, axis=1))


def _places(
    join: np.ndarray, before: int, reach: int, window: int, hop: int, shifts: int
) -> list[np.ndarray]:
    """Return what is ``reach`` hops around a join, a window for each, from half a hop early on.

    before : frames of the join itself. window, hop : frames.
    """
    firsts = [
        before - reach * hop - window // 2 + hop * k // shifts - hop // 2 for k in range(shifts)
    ]
    return [join[first : first + 2 * reach * hop + window] for first in firsts]


def _powers(audio: np.ndarray, bands: BandPowers) -> np.ndarray:
    return band_powers(audio, bands.window_frames, bands.hop_frames, bands.bins)
