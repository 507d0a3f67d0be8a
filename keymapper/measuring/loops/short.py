"""Short loops: a few periods, for sustains too short for more or where memory counts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from keymapper.measuring.loops.cost import unlikeness_cost
from keymapper.measuring.loops.likeness import unlikeness
from keymapper.measuring.loops.region import SustainRegion
from keymapper.measuring.loops.search import FoundLoop
from keymapper.measuring.loops.sustain import Sustain
from keymapper.measuring.loops.waveform import full_rate_correlations
from keymapper.model.loop import Loop

SHORTEST_SECONDS = 0.020
LONGEST_SECONDS = 0.065
#: Ends looked at for standing still, and those of them a start is sought for.
PLACES = 32
ENDS = 6
TEMPLATE_SECONDS = 0.040
#: Of the other loops: how many, of how many lengths at each end, and how far they are apart.
OTHERS, LENGTHS = 8, 2
ENDS_APART_SECONDS, LENGTHS_APART_SECONDS = 0.008, 0.004
LEAD_SECONDS = 0.005
WAVEFORM_WEIGHT = 9.0
MISTUNING_WEIGHT = 0.2
LOCAL_WEIGHT = 0.83
FROZEN_WEIGHT = 0.6
UNLIKE_WEIGHT = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sought:
    """The note a short loop is sought in, shape (frames, channels), and what is known of it."""

    samples: np.ndarray
    sustain: Sustain
    region: SustainRegion
    f0_hz: float | None

    def length_bounds(self) -> tuple[int, int]:
        """Return the least and the most frames of a short loop."""
        longest = max(LONGEST_SECONDS, 1.2 / self.f0_hz if self.f0_hz else 0)
        return round(SHORTEST_SECONDS * self.sustain.rate), round(longest * self.sustain.rate)


def find_short_loops(
    samples: np.ndarray, sustain: Sustain, region: SustainRegion, f0_hz: float | None
) -> list[FoundLoop]:
    """Return loops of 20 to 65 ms (one whole period under 50 Hz), the best first.

    The best-correlated start is sought for those ends, in the last 40 % of the sustain, at which
    standing still is least unlike the note. At 20 ms and more a whole-frame length is within 1 cent
    of a whole number of periods.
    """
    sought = _Sought(samples=samples, sustain=sustain, region=region, f0_hz=f0_hz)
    shortest, longest = sought.length_bounds()
    template = round(TEMPLATE_SECONDS * sustain.rate)
    first_end = max(
        region.start_frame + longest + template,
        region.end_frame - round(0.4 * (region.end_frame - region.start_frame)),
    )
    ends = np.unique(np.linspace(first_end, region.end_frame, PLACES).astype(int))
    ends = ends[(ends <= region.end_frame) & (ends - longest - template >= 0)]
    standing = _standing_costs(sustain, ends, (shortest + longest) // 2)
    options: list[FoundLoop] = []
    for index in np.argsort(standing, kind="stable")[:ENDS]:
        options += _ending_at(sought, int(ends[index]), longest, 1, float(standing[index]))
    return sorted(options, key=lambda option: option.cost)


def find_other_short_loops(
    samples: np.ndarray, sustain: Sustain, region: SustainRegion, f0_hz: float | None
) -> list[FoundLoop]:
    """Return short loops from all over a sustain, no two alike, the best first.

    For sustains so brief that the last 40 % of them are one moment.
    """
    sought = _Sought(samples=samples, sustain=sustain, region=region, f0_hz=f0_hz)
    shortest, longest = sought.length_bounds()
    first_end = min(region.start_frame + 2 * shortest, region.end_frame)
    ends = np.unique(np.linspace(first_end, region.end_frame, PLACES).astype(int))
    lead = round(LEAD_SECONDS * sustain.rate)
    most = np.minimum(longest, ends - region.start_frame - lead)
    standing = _standing_costs(sustain, ends, (shortest + most) // 2)
    options: list[FoundLoop] = []
    for end, longest_here, cost in zip(ends, most, standing, strict=True):
        options += _ending_at(sought, int(end), int(longest_here), LENGTHS, float(cost))
    kept: list[FoundLoop] = []
    for option in sorted(options, key=lambda option: option.cost):
        if all(_differ(option.loop, one.loop, sustain.rate) for one in kept):
            kept.append(option)
    return kept[:OTHERS]


def _differ(one: Loop, other: Loop, rate: int) -> bool:
    ends, lengths = one.end_frame - other.end_frame, one.length_frames - other.length_frames
    return abs(ends) >= ENDS_APART_SECONDS * rate or abs(lengths) >= LENGTHS_APART_SECONDS * rate


def _ending_at(
    sought: _Sought, end: int, longest: int, count: int, standing: float
) -> list[FoundLoop]:
    """Return the best-correlated loops with one end, so many of clearly different lengths.

    longest : frames. standing : what it costs to stand still there.
    """
    sustain, region = sought.sustain, sought.region
    rate = sustain.rate
    lengths = np.arange(longest, sought.length_bounds()[0] - 1, -1)
    template = min(round(TEMPLATE_SECONDS * rate), end - longest)
    rho = full_rate_correlations(sought.samples, end - lengths, end, template)
    mistuned = np.maximum(0, _mistuning_cents(lengths, sought.f0_hz, rate) - 1)
    joins = WAVEFORM_WEIGHT * (1 - rho) + MISTUNING_WEIGHT * mistuned
    options: list[FoundLoop] = []
    while len(options) < count and np.isfinite(joins).any():
        best = int(np.argmin(joins))
        start, length = end - int(lengths[best]), int(lengths[best])
        near = sustain.envelope.index_at(np.array([start, end]))
        levels = sustain.envelope.levels_db[near[0] : near[1] + 1]
        moving = float(np.sqrt(np.mean((levels - levels.mean(axis=0)) ** 2)))
        options.append(
            FoundLoop(
                kind="short",
                loop=Loop(start_frame=start, end_frame=end),
                correlation=float(rho[best]),
                fade_frames=min(start - region.start_frame, length // 2),
                cost=float(joins[best])
                + LOCAL_WEIGHT * moving
                + FROZEN_WEIGHT * sustain.movement_db
                + UNLIKE_WEIGHT * standing,
            )
        )
        joins[np.abs(lengths - length) < LENGTHS_APART_SECONDS * rate] = np.inf
    return options


def as_short(found: FoundLoop, region: SustainRegion) -> FoundLoop:
    """Return a loop finished as a short one: it fades over half its length."""
    lead, half = found.loop.start_frame - region.start_frame, found.loop.length_frames // 2
    return replace(found, kind="short", fade_frames=min(lead, half))


def _standing_costs(
    sustain: Sustain, ends: np.ndarray, length_frames: np.ndarray | int
) -> np.ndarray:
    """Return what it costs to go over into standing still at each end, and to have done so."""
    hops = np.arange(-sustain.reach_hops, sustain.reach_hops + 1)
    at_end = sustain.envelope.index_at(ends)
    at_start = sustain.envelope.index_at(ends - length_frames)
    costs = np.zeros(len(ends))
    for envelope, moments in (
        (sustain.envelope, sustain.moments),
        (sustain.wide, sustain.wide_moments),
    ):
        standing = envelope.levels_around(ends - length_frames // 2, np.zeros(len(hops)))
        leaving = envelope.levels_around(ends, hops)
        entering = np.where(hops[:, None] >= 0, standing, leaving)
        unlike = [unlikeness(moments, one, at_start, at_end) for one in (entering, standing)]
        costs += unlikeness_cost(np.maximum(*unlike))
    return costs


def _mistuning_cents(lengths: np.ndarray, f0_hz: float | None, rate: int) -> np.ndarray:
    """How far each length is from a whole number of periods, heard as a tuning error."""
    if f0_hz is None:
        return np.zeros(len(lengths))
    periods = lengths * (f0_hz / rate)
    return np.asarray(np.abs(1200 * np.log2(periods / np.maximum(np.rint(periods), 1))))
