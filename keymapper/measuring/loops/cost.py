"""One cost for a loop candidate: waveform, envelope, drift, wobble, repetition and length."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from keymapper.measuring.loops.candidates import Bounds, Candidates, short_penalty
from keymapper.measuring.loops.crossfade import fade_frames
from keymapper.measuring.loops.rarity import slow_rarity
from keymapper.measuring.loops.sustain import Sustain, levelling_db

WOBBLE_LINES = 3
JUST_HEARD_WOBBLE_DB = 0.4
JUST_HEARD_REPETITION_DB = 0.6
REPETITION_MEMORY_SECONDS = 0.6
FADED_REACH_HOPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """What each trait of a candidate counts; found on the developing half of our own notes.

    The ``beyond`` count once more what goes past what is likely to pass unheard.
    """

    mismatch: float
    root: float = 0.0
    distance: float
    excess: float
    levelling: float
    repetition: float = 1.0
    short: float = 0.3
    wobble: float = 0.0
    faded: float = 0.0
    rarity: float = 0.0
    repetition_beyond: float = 0.0
    rarity_beyond: float = 0.0


#: A well-matching waveform and envelope bring a candidate onto the shortlist ...
TO_SHORTLIST = Weights(
    mismatch=6.0, distance=0.6, excess=0.3, levelling=0.1, wobble=1.0, rarity=1.0
)
#: ... what would be heard of its join and its cycling chooses from it.
TO_CHOOSE = Weights(
    mismatch=0.0,
    root=4.5,
    distance=0.2,
    excess=0.45,
    levelling=0.25,
    wobble=6.0,
    faded=0.9,
    rarity=0.3,
    repetition_beyond=2.7,
    rarity_beyond=0.7,
)
REPETITION_BEYOND = 0.7
RARITY_BEYOND = 0.8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traits:
    """What speaks against each candidate, one value each; levels in dB, ``short`` in octaves."""

    mismatch: np.ndarray
    distance: np.ndarray
    excess: np.ndarray
    levelling: np.ndarray
    repetition_db: np.ndarray
    short: np.ndarray
    rarity: np.ndarray
    wobble: np.ndarray
    faded: np.ndarray

    def cost(self, weights: Weights) -> np.ndarray:
        """Return the weighted sum."""
        repetition = self.repetition_db / JUST_HEARD_REPETITION_DB
        return np.asarray(
            weights.mismatch * self.mismatch
            + weights.root * np.sqrt(np.maximum(self.mismatch, 0))
            + weights.distance * self.distance
            + weights.excess * self.excess
            + weights.levelling * self.levelling
            + weights.repetition * repetition
            + weights.repetition_beyond * np.maximum(0, repetition - REPETITION_BEYOND)
            + weights.short * self.short
            + weights.rarity * self.rarity
            + weights.rarity_beyond * np.maximum(0, self.rarity - RARITY_BEYOND)
            + weights.wobble * self.wobble
            + weights.faded * self.faded
        )

    def chosen(self, index: np.ndarray) -> Traits:
        """Those of some candidates."""
        return Traits(**{part.name: getattr(self, part.name)[index] for part in fields(self)})


def measure_traits(found: Candidates, sustain: Sustain, bounds: Bounds) -> Traits:
    """Return the traits that are quickly measured; wobble and faded are left at 0."""
    lengths = found.ends - found.starts
    at_start = sustain.envelope.index_at(found.starts)
    at_end = sustain.envelope.index_at(found.ends)
    levelled = levelling_db(sustain, at_start, at_end)
    drift = sustain.around_db[at_end] - sustain.around_db[at_start]
    squared = sustain.distances[at_start, at_end - at_start] ** 2
    squared += np.mean((drift - levelled) ** 2 - drift**2, axis=1)
    distance = np.sqrt(np.maximum(squared, 0))
    achievable = sustain.achievable_db
    none = np.zeros(len(lengths))
    return Traits(
        mismatch=1 - found.correlation,
        distance=distance / (0.4 + achievable + 0.1 * sustain.movement_db),
        excess=np.maximum(0, distance - 2 * achievable - 1),
        levelling=np.sqrt(np.mean(levelled**2, axis=1)),
        repetition_db=_repetition_db(sustain, at_start, at_end, levelled, lengths / sustain.rate),
        short=short_penalty(lengths, bounds.wanted_frames),
        rarity=slow_rarity(sustain.distances, at_start, at_end),
        wobble=none,
        faded=none,
    )


def with_closer_look(traits: Traits, found: Candidates, sustain: Sustain, bounds: Bounds) -> Traits:
    """Return the traits with those that take longer: wobble, and what the crossfade leaves."""
    at_start = sustain.envelope.index_at(found.starts)
    at_end = sustain.envelope.index_at(found.ends)
    levelled = levelling_db(sustain, at_start, at_end)
    wobble = [
        _wobble_excess(sustain.envelope.levels_db[first:last], drift)
        for first, last, drift in zip(at_start, at_end, levelled, strict=True)
    ]
    faded = _as_faded_db(found, levelled, sustain, bounds)
    return replace(traits, wobble=np.array(wobble), faded=faded)


def _as_faded_db(
    found: Candidates, levelled: np.ndarray, sustain: Sustain, bounds: Bounds
) -> np.ndarray:
    """Return what the crossfade leaves: rms of its levels against those around the loop's start.

    A crossfade that keeps its energy has the level (1 - f) Pa + f Pb in every band.
    """
    around = np.arange(-FADED_REACH_HOPS, FADED_REACH_HOPS + 1)
    arriving = sustain.envelope.levels_around(found.starts, around)
    leaving = sustain.envelope.levels_around(found.ends, around) - levelled[:, None]
    lengths, leads = found.ends - found.starts, found.starts - bounds.first_start
    fades = [
        fade_frames(float(rho), int(length), int(lead), sustain.rate)
        for rho, length, lead in zip(found.correlation, lengths, leads, strict=True)
    ]
    hops = np.maximum(np.array(fades) / sustain.envelope.hop_frames, 0.4)
    part = np.clip(1 + around / hops[:, None], 0, 1)[:, :, None]
    mixed = 10 * np.log10((1 - part) * 10 ** (leaving / 10) + part * 10 ** (arriving / 10))
    return np.asarray(np.sqrt(np.mean((mixed - arriving) ** 2, axis=(1, 2))))


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
    repeats = np.clip(sustain.periodicity[times.clip(max=len(levels) - 1)], 0, 1)
    return np.asarray(
        moved * np.sqrt(1 - repeats) / (1 + (seconds / REPETITION_MEMORY_SECONDS) ** 2)
    )


def _running(values: np.ndarray) -> np.ndarray:
    return np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])


def _wobble_excess(levels_db: np.ndarray, levelled_db: np.ndarray) -> float:
    """Swing at the loop's own rate, as a ratio to what its inside swings anyway, over 0.7."""
    times = len(levels_db)
    if times < 2 * WOBBLE_LINES + 1:
        return 0.0
    phase = np.arange(times, dtype=np.float32) / times
    lines = np.exp(-2j * np.pi * np.outer(np.arange(1, WOBBLE_LINES + 1), phase))
    lines = lines.astype(np.complex64) / times
    swing = lines @ levels_db
    ramp = (lines @ phase)[:, None]
    inside = swing - ramp * (levels_db[-1] - levels_db[0])
    swing = swing - ramp * levelled_db
    wobble, own = (
        np.sqrt(2 * np.mean(np.sum(np.abs(part) ** 2, axis=0))) for part in (swing, inside)
    )
    return max(0.0, float(wobble / np.hypot(JUST_HEARD_WOBBLE_DB, own)) - 0.7)
