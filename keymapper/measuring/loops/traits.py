"""What speaks against a loop candidate, trait by trait."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from keymapper.measuring.loops.candidates import Bounds, Candidates, short_penalty
from keymapper.measuring.loops.crossfade import fade_frames
from keymapper.measuring.loops.likeness import faded_levels_db, unlikeness
from keymapper.measuring.loops.pitch_step import JUST_HEARD_CENTS
from keymapper.measuring.loops.rarity import slow_rarity
from keymapper.measuring.loops.sustain import Sustain

WOBBLE_LINES = 3
JUST_HEARD_WOBBLE_DB = 0.4
REPETITION_MEMORY_SECONDS = 0.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traits:
    """What speaks against each candidate, one value each; 0 where not looked at yet.

    mismatch : 1 - waveform correlation before the join; ``after`` the same after it.
    distance, excess : level distance of the surroundings, relative to what the note achieves, and
        what goes beyond twice of that in dB.
    levelling_db : drift to be taken out. repetition_db : movement heard coming round.
    off_period : how far from a whole number of the periods the note repeats with, in periods.
    short : octaves by which the loop falls short of the wanted length.
    rarity, quick_rarity : how unusual the start is, at 43 ms and at 5 ms.
    wobble : swing at the loop's rate, in parts of what its inside swings or of what is just heard.
    unlike, unlike_wide : how unlike the note the faded join is, in third octaves and wide bands.
    pitch_cents : step of the pitch; ``usual_cents`` the steps the note keeps under by itself.
    """

    mismatch: np.ndarray
    distance: np.ndarray
    excess: np.ndarray
    levelling_db: np.ndarray
    repetition_db: np.ndarray
    off_period: np.ndarray
    short: np.ndarray
    rarity: np.ndarray
    wobble: np.ndarray
    unlike: np.ndarray
    unlike_wide: np.ndarray
    after: np.ndarray
    pitch_cents: np.ndarray
    usual_cents: np.ndarray
    quick_rarity: np.ndarray

    def chosen(self, index: np.ndarray) -> Traits:
        """Those of some candidates."""
        return Traits(**{part.name: getattr(self, part.name)[index] for part in fields(self)})


def measure_traits(found: Candidates, sustain: Sustain, bounds: Bounds) -> Traits:
    """Return the traits that are quickly measured."""
    lengths = found.ends - found.starts
    at_start = sustain.envelope.index_at(found.starts)
    at_end = sustain.envelope.index_at(found.ends)
    levelled = sustain.drift.levelled_db(at_start, at_end)
    drift = sustain.drift.seen_db(at_start, at_end)
    squared = sustain.distances[at_start, at_end - at_start] ** 2
    squared += np.mean((drift - levelled) ** 2 - drift**2, axis=1)
    distance = np.sqrt(np.maximum(squared, 0))
    achievable = sustain.achievable_db
    none = np.zeros(len(lengths))
    return Traits(
        mismatch=1 - found.correlation,
        distance=distance / (0.4 + achievable + 0.1 * sustain.movement_db),
        excess=np.maximum(0, distance - 2 * achievable - 1),
        levelling_db=np.sqrt(np.mean(levelled**2, axis=1)),
        repetition_db=_repetition_db(sustain, at_start, at_end, levelled, lengths / sustain.rate),
        off_period=sustain.period.off(lengths / sustain.envelope.hop_frames),
        short=short_penalty(lengths, bounds.wanted_frames),
        rarity=slow_rarity(sustain.distances, at_start, at_end),
        wobble=none,
        unlike=none,
        unlike_wide=none,
        after=none,
        pitch_cents=none,
        usual_cents=np.full(len(lengths), JUST_HEARD_CENTS),
        quick_rarity=none,
    )


def with_wobble(traits: Traits, found: Candidates, sustain: Sustain) -> Traits:
    """Return the traits with the wobble, which takes longer."""
    at_start = sustain.envelope.index_at(found.starts)
    at_end = sustain.envelope.index_at(found.ends)
    levelled = sustain.drift.levelled_db(at_start, at_end)
    wobble = [
        _wobble(sustain.envelope.levels_db[first:last], drift)
        for first, last, drift in zip(at_start, at_end, levelled, strict=True)
    ]
    return replace(traits, wobble=np.array(wobble))


def _fade_hops(found: Candidates, sustain: Sustain, bounds: Bounds) -> np.ndarray:
    lengths, leads = found.ends - found.starts, found.starts - bounds.first_frame
    fades = [
        fade_frames(float(rho), int(length), int(lead), sustain.rate)
        for rho, length, lead in zip(found.correlation, lengths, leads, strict=True)
    ]
    return np.array(fades) / sustain.envelope.hop_frames


def likenesses(
    found: Candidates, sustain: Sustain, bounds: Bounds
) -> tuple[np.ndarray, np.ndarray]:
    """Return how unlike the note each join is as it will be faded: third octaves, wide bands."""
    at_start = sustain.envelope.index_at(found.starts)
    at_end = sustain.envelope.index_at(found.ends)
    hops = np.arange(-sustain.reach_hops, sustain.reach_hops + 1)
    fades = _fade_hops(found, sustain, bounds)
    levelled = sustain.drift.levelled_db(at_start, at_end)
    results = []
    for envelope, moments, drift in (
        (sustain.envelope, sustain.moments, levelled[:, None]),
        (sustain.wide, sustain.wide_moments, 0.0),
    ):
        arriving = envelope.levels_around(found.starts, hops)
        leaving = envelope.levels_around(found.ends, hops) - drift
        joins = faded_levels_db(leaving, arriving, fades)
        results.append(unlikeness(moments, joins, at_start, at_end))
    return results[0], results[1]


def _repetition_db(
    sustain: Sustain,
    at_start: np.ndarray,
    at_end: np.ndarray,
    levelled: np.ndarray,
    seconds: np.ndarray,
) -> np.ndarray:
    """How audibly each loop cycles: its movement, unless the note itself repeats with that lag.

    The movement is the variance of the band levels less the line that is levelled out, from
    running sums.
    """
    levels = sustain.envelope.levels_db.astype(float)
    levels -= levels.mean(axis=0)
    place = np.arange(len(levels), dtype=float)[:, None]
    sums, moments = _running(levels), _running(place * levels)
    squares = _running((levels**2).sum(axis=1))
    times = np.maximum(at_end - at_start, 1)
    mean = (sums[at_end] - sums[at_start]) / times[:, None]
    variance = (squares[at_end] - squares[at_start]) / times - (mean**2).sum(axis=1)
    middle = (at_start + at_end - 1)[:, None] / 2
    along = (moments[at_end] - moments[at_start]) / times[:, None] - middle * mean
    slope = levelled / times[:, None]
    variance += (slope**2).sum(axis=1) * (times**2 - 1) / 12 - 2 * (slope * along).sum(axis=1)
    moved = np.sqrt(np.maximum(variance, 0) / levels.shape[1])
    return cycling_db(moved, times, seconds, sustain.periodicity)


def cycling_db(
    moved_db: np.ndarray, hops: np.ndarray, seconds: np.ndarray, periodicity: np.ndarray
) -> np.ndarray:
    """Return how much of the movement of loops is heard coming round, in dB.

    The less, the longer the loop, and the more the note itself repeats with it.

    moved_db : rms movement of the levels of each loop. hops, seconds : their lengths.
    periodicity : autocorrelation of the band levels of the note at every lag in hops.
    """
    repeats = np.clip(periodicity[hops.clip(max=len(periodicity) - 1)], 0, 1)
    return np.asarray(
        moved_db * np.sqrt(1 - repeats) / (1 + (seconds / REPETITION_MEMORY_SECONDS) ** 2)
    )


def _running(values: np.ndarray) -> np.ndarray:
    return np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])


def _wobble(levels_db: np.ndarray, levelled_db: np.ndarray) -> float:
    """Swing at the loop's own rate, as a ratio to what its inside swings anyway."""
    times = len(levels_db)
    if times < 2 * WOBBLE_LINES + 1:
        return 0.0
    phase = np.arange(times, dtype=np.float32) / times
    lines = loop_rate_lines(times)
    swing = lines @ levels_db
    ramp = (lines @ phase)[:, None]
    inside = swing - ramp * (levels_db[-1] - levels_db[0])
    swing = swing - ramp * levelled_db
    wobble, own = swing_db(swing), swing_db(inside)
    return float(wobble / np.hypot(JUST_HEARD_WOBBLE_DB, own))


def loop_rate_lines(times: int) -> np.ndarray:
    """Cosines and sines of one, two and three turns in so many times, shape (6, times)."""
    phase = np.arange(times, dtype=np.float32) / times
    turns = np.outer(np.arange(1, WOBBLE_LINES + 1, dtype=np.float32), 2 * np.pi * phase)
    return np.asarray(np.concatenate([np.cos(turns), np.sin(turns)]) / times)


def swing_db(turning: np.ndarray) -> float:
    """Return the rms swing of levels along those lines, shape (6, levels)."""
    return float(np.sqrt(2 * np.vdot(turning, turning) / turning.shape[1]))
