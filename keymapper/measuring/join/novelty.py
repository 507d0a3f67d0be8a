"""How far a join is from anything the note does by itself."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.measuring.join.levels import Analysis, floor_power, levels_db, masked_powers
from keymapper.measuring.patches import patch_distances_db
from keymapper.measuring.playing import played

NATURAL_PATCHES = 48
YARDSTICK = 1.12
SHIFTS = 4
"""Of a join against the grid of natural times, within a hop: nothing recorded keeps to it."""
LATER_WRAP_SECONDS = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """One judged loop: the natural sustain, the shipped audio (both by sides), loop and rate."""

    natural: np.ndarray
    natural_start: int
    shipped: np.ndarray
    rate: int
    start: int
    end: int

    def wraps(self, reach_frames: int) -> list[int]:
        """Frames of play at which a join is looked at: the first, and a settled one if short.

        The first has nothing of the attack within reach, which is no part of the natural sustain:
        a short loop that begins right after it goes round some times before.
        """
        length = self.end - self.start
        attack = self.natural_start + reach_frames - self.end
        first = self.end + max(0, math.ceil(attack / length)) * length
        later = math.ceil(LATER_WRAP_SECONDS * self.rate / length)
        return [first] if later <= 1 else [first, first + later * length]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NaturalLevels:
    """Band levels of the natural sustain and the floor they were measured over."""

    levels_db: np.ndarray
    floor: float
    analysis: Analysis


def measure_natural(ground: Ground, *analyses: Analysis) -> list[NaturalLevels]:
    """Return the band levels of the natural sustain; none if it is shorter than one window.

    analyses : of one window and hop.
    """
    if ground.natural.shape[1] < analyses[0].window_frames(ground.rate):
        return []
    masked = masked_powers(ground.natural, ground.rate, *analyses)
    return [_natural_levels(one, analysis) for one, analysis in zip(masked, analyses, strict=True)]


def _natural_levels(masked: np.ndarray, analysis: Analysis) -> NaturalLevels:
    floor = floor_power(masked)
    return NaturalLevels(levels_db=levels_db(masked, floor), floor=floor, analysis=analysis)


def novelties_db(
    ground: Ground, naturals: Sequence[NaturalLevels], reach_seconds: float, least_db: float
) -> list[float]:
    """Return how far the join's surroundings lie from the nearest natural ones, over threshold.

    The rms level difference over a patch of ``reach_seconds`` to both sides, at the natural place
    where it is least (places over the loop's own points left out), against ``least_db`` or the
    95th percentile of the same for natural patches, whichever is more.

    naturals : of one window and hop; one result each.
    """
    if not naturals:
        return []
    analysis = naturals[0].analysis
    hop, window = analysis.hop_frames(ground.rate), analysis.window_frames(ground.rate)
    times = len(naturals[0].levels_db)
    half = round(reach_seconds / analysis.hop_seconds)
    half = min(2 * half + 1, max(1, times // 3) | 1) // 2
    places = times - 2 * half
    if places < 3:
        return [-math.inf] * len(naturals)
    centres = ground.natural_start + window // 2 + (np.arange(places) + half) * hop
    taken = np.minimum(np.abs(centres - ground.start), np.abs(centres - ground.end)) < half * hop
    if taken.all():
        taken[:] = False
    wraps = ground.wraps((half + 1) * hop + window // 2)
    shifts = [hop * shift // SHIFTS - hop // 2 for shift in range(SHIFTS)]
    joins = [_around(ground, wrap + shift, half, naturals) for wrap in wraps for shift in shifts]
    return [
        _novelty_db(natural, np.stack(patches), taken, least_db)
        for natural, patches in zip(naturals, zip(*joins, strict=True), strict=True)
    ]


def _around(
    ground: Ground, wrap: int, half: int, naturals: Sequence[NaturalLevels]
) -> list[np.ndarray]:
    """Return the levels `half` hops to both sides of a frame of play, one array an analysis."""
    analyses = [natural.analysis for natural in naturals]
    hop, window = analyses[0].hop_frames(ground.rate), analyses[0].window_frames(ground.rate)
    first = wrap - half * hop - window // 2
    audio = played(ground.shipped, ground.start, ground.end, first, first + 2 * half * hop + window)
    masked = masked_powers(audio, ground.rate, *analyses)
    return [levels_db(one, natural.floor) for one, natural in zip(masked, naturals, strict=True)]


def _novelty_db(
    natural: NaturalLevels, joins: np.ndarray, taken: np.ndarray, least_db: float
) -> float:
    """Novelty of the worst wrap, each at the shift that suits it best; joins are wraps x shifts."""
    offset = natural.levels_db.mean(axis=0)
    levels = natural.levels_db - offset
    apart = patch_distances_db(levels, joins - offset, 1)
    nearest = float(apart[~taken].min(axis=0).reshape(-1, SHIFTS).min(axis=1).max())
    own = _own_novelty_db(levels, joins.shape[1], natural.analysis.own_every)
    threshold = max(least_db, YARDSTICK * own)
    return 20 * math.log10(max(nearest, 1e-6) / threshold)


def _own_novelty_db(levels: np.ndarray, width: int, every: int) -> float:
    """95th percentile of the distance from natural patches to the nearest other natural patch."""
    places = len(levels) - width + 1
    chosen = np.unique(np.linspace(0, places - 1, NATURAL_PATCHES).astype(int))
    patches = np.stack([levels[place : place + width] for place in chosen])
    apart = patch_distances_db(levels, patches, every)
    apart[np.abs(np.arange(places)[:, None] - chosen) < width // 2] = np.inf
    nearest = apart.min(axis=0)
    nearest = nearest[np.isfinite(nearest)]
    return float(np.percentile(nearest, 95)) if len(nearest) else 0.0
