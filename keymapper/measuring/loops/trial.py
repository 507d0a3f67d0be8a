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
    window = sustain.bands.window_frames
    before = REACH_HOPS * sustain.bands.hop_frames + window // 2
    after = before + window % 2
    joins = _joined(samples, rate, one, fades, before, after)
    unlike, unlike_wide = _unlikenesses(joins, sustain, one, np.array(fades))
    near = QUICK_REACH_HOPS * quick.hop_frames + quick.window_frames // 2
    part = slice(before - near, before + near + quick.window_frames % 2)
    patches = np.stack([quick.levels_db(join[part]) for join in joins])
    at_start, at_end = (np.repeat(quick.times(at), len(fades)) for at in (one.starts, one.ends))
    pitch = round(WINDOW_SECONDS * rate)
    costs = choice_cost(
        replace(
            traits.chosen(np.zeros(len(fades), int)),
            unlike=unlike,
            unlike_wide=unlike_wide,
            quick_rarity=unlikeness(quick.moments, patches, at_start, at_end),
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
    joins: list[np.ndarray], sustain: Sustain, one: Candidates, fades: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return how unlike the note each join is, in third octaves and in wide bands."""
    bands, reach = sustain.bands, sustain.reach_hops
    cut, first = (REACH_HOPS - reach) * bands.hop_frames, -reach * bands.hop_frames
    joined = [
        replace(bands, powers=_powers(join[cut : len(join) - cut], bands), first_frame=first)
        for join in joins
    ]
    at_start = sustain.envelope.index_at(one.starts)
    at_end = sustain.envelope.index_at(one.ends)
    drift = sustain.drift.levelled_db(at_start, at_end)
    left = 1 - risen(fades / bands.hop_frames, reach)[:, :, None]
    thirds = np.stack([masked_levels(join, sustain.envelope.floor).levels_db for join in joined])
    wide = np.stack([wide_levels(join, sustain.wide.floor).levels_db for join in joined])
    starts, ends = np.repeat(at_start, len(joins)), np.repeat(at_end, len(joins))
    return (
        unlikeness(sustain.moments, thirds - left * drift, starts, ends),
        unlikeness(sustain.wide_moments, wide, starts, ends),
    )


def _powers(audio: np.ndarray, bands: BandPowers) -> np.ndarray:
    return band_powers(audio, bands.window_frames, bands.hop_frames, bands.bins)
