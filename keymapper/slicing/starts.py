"""Roughly when notes begin in a take without a plan."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.slicing.course import FloatArray
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.novelty import Candidate, swells_of
from keymapper.slicing.restrike import (
    burst_ratio,
    is_quiet_before,
    long_new_share,
    rise_share,
)

_LEAST_SWELL = 0.25
_SUDDEN_STRENGTH = 0.3
_FROM_QUIET_STRENGTH = 0.12
_LEAST_NEW_SHARE = 0.2
_LEAST_BURST = 4.0
_LEAST_SOFT_BURST = 8.0
_DIP_HOPS = 4
_SOUNDING_RATIO = 3e-4
_SUNK_RATIO = 0.06
_SUNK_BANDS = 0.9
_REGROWTH_RATIO = 10.0
_APART_SECONDS = 0.06
_SWELL_APART_SECONDS = 0.4
_SINK_RATIO = 0.5
_RISE_WORTH = 0.5
_SLOW_RISE_SHARE = 0.4
_LEAST_STEEPNESS = 0.8
"""Beating sounds stay below 0.75, what is struck again lies above 0.85."""
_REST_SECONDS = 0.25
_UNMISTAKABLE_SWELL = 0.6
"""Beats make swells of at most 0.35."""
_YOUNG_SECONDS = 0.4
"""So long after its onset a note may still grow, and so be new without being another."""
_SWELL_LEAD_SECONDS = (0.04, 0.4)
_GROWING_SECONDS, _TAIL_SECONDS, _SOFT_RATIO = 0.8, 0.1, 0.4
"""A slow note grows for so long, and once the tail before is gone, is softer than so much of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteStart:
    """Where a note begins, to a hundredth of a second; to a tenth where it swells."""

    seconds: float
    swells: bool


def note_starts(heard: HeardTake) -> list[NoteStart]:
    """Return where notes begin, in order of time."""
    swells = swells_of(heard.course, heard.novelty, _LEAST_SWELL)
    starts: list[float] = []
    for candidate in heard.candidates:
        if _begins_a_note(heard, candidate, starts, swells):
            starts.append(candidate.seconds)
    slow = _swelling(heard, swells, starts)
    found = [_as_heard(heard, one, swells) for one in starts]
    found += [NoteStart(seconds=one, swells=True) for one in slow]
    return sorted(found, key=lambda start: start.seconds)


def _as_heard(heard: HeardTake, start: float, swells: Sequence[Candidate]) -> NoteStart:
    """Return a sudden start as a swell where one began before it and it rises slowly."""
    for swell in swells[_from(swells, start - 0.2) : _from(swells, start + 0.2)]:
        if 0.0 < start - swell.seconds + 0.1 < 0.2 and is_quiet_before(
            heard.levels, swell.seconds - 0.1
        ):
            slow = rise_share(heard.levels, start) < _SLOW_RISE_SHARE
            return NoteStart(seconds=min(start, swell.seconds) if slow else start, swells=slow)
    return NoteStart(seconds=start, swells=False)


def _begins_a_note(
    heard: HeardTake, candidate: Candidate, starts: Sequence[float], swells: Sequence[Candidate]
) -> bool:
    """Say whether a sudden onset is a note of its own, rather than the course of a swell.

    starts : the notes found so far.
    """
    seconds, last = candidate.seconds, starts[-1] if starts else None
    if candidate.strength < _FROM_QUIET_STRENGTH:
        return False
    if last is not None and seconds - last < _APART_SECONDS:
        return False
    if is_quiet_before(heard.levels, seconds):
        return not _reemerges(heard, candidate)
    if _is_growing(heard, seconds, last, swells):
        return False
    is_sudden = candidate.strength >= _SUDDEN_STRENGTH
    if is_sudden and (last is None or _has_sunk(heard, last, seconds)):
        steep = candidate.strength + _RISE_WORTH * rise_share(heard.levels, seconds)
        if steep >= _LEAST_STEEPNESS:
            return True
        is_young = last is not None and seconds - last < _YOUNG_SECONDS
        new = long_new_share(heard.course, heard.novelty, seconds)
        if new >= _LEAST_NEW_SHARE and not is_young:
            return True
    least = _LEAST_BURST if is_sudden else _LEAST_SOFT_BURST
    return burst_ratio(heard.take, heard.levels, seconds) >= least


def _reemerges(heard: HeardTake, candidate: Candidate) -> bool:
    """Say whether a tail that wavers around the noise floor only comes up again."""
    if candidate.strength >= _SUDDEN_STRENGTH or is_quiet_before(
        heard.levels, candidate.seconds - _REST_SECONDS
    ):
        return False
    new = long_new_share(heard.course, heard.novelty, candidate.seconds)
    return new < _LEAST_NEW_SHARE


def _is_growing(
    heard: HeardTake, seconds: float, last: float | None, swells: Sequence[Candidate]
) -> bool:
    """Say whether a swell that no note accounts for began shortly before."""
    first, end = (_from(swells, seconds - lead) for lead in reversed(_SWELL_LEAD_SECONDS))
    return any(
        (last is None or last < swell.seconds - 0.15) and _begins_by_swelling(heard, last, swell)
        for swell in swells[first:end]
    )


def _from(swells: Sequence[Candidate], seconds: float) -> int:
    """Return how many of the swells come before a moment."""
    return bisect_left(swells, seconds, key=lambda swell: swell.seconds)


def _begins_by_swelling(heard: HeardTake, last: float | None, swell: Candidate) -> bool:
    if swell.strength >= _UNMISTAKABLE_SWELL or is_quiet_before(heard.levels, swell.seconds - 0.05):
        return True
    return _regrows(heard, last or 0.0, swell)


def _has_sunk(heard: HeardTake, since: float, seconds: float) -> bool:
    """Say whether the level has fallen from its highest since a note began."""
    power = heard.levels.smooth_power(since, seconds - 0.01, 20)
    return not len(power) or float(power[-1]) < _SINK_RATIO * float(power.max())


def _swelling(
    heard: HeardTake, swells: Sequence[Candidate], starts: Sequence[float]
) -> list[float]:
    """Return the slow swells that no sudden onset accounts for.

    They grow out of the noise floor, or out of a tail that has sunk by 18 dB; a beat seldom sinks
    so far with all of its partials at once.
    """
    found: list[float] = []
    for swell in swells:
        at = bisect_left(starts, swell.seconds)
        before = [*starts[max(0, at - 1) : at], *found[-1:]]
        near = [*before, *starts[at : at + 1]]
        if any(abs(swell.seconds - start) < _SWELL_APART_SECONDS for start in near):
            continue
        last = max(before, default=None)
        if last is not None and _only_grows(heard, last, swell.seconds):
            continue
        if _begins_by_swelling(heard, last, swell):
            found.append(swell.seconds)
    return found


def _only_grows(heard: HeardTake, last: float, seconds: float) -> bool:
    """Say whether a note begun shortly before has been soft so far, beside what it grows to."""
    if seconds - last > _GROWING_SECONDS:
        return False
    so_far = heard.levels.smooth_power(last + _TAIL_SECONDS, seconds, 20)
    later = heard.levels.smooth_power(seconds, seconds + _GROWING_SECONDS, 20)
    return len(so_far) > 0 and float(so_far.max()) < _SOFT_RATIO * float(later.max(initial=0.0))


def _regrows(heard: HeardTake, last: float, swell: Candidate) -> bool:
    """Say whether every sounding band had sunk by 12 dB before the swell, and then grows anew."""
    hop = heard.novelty.hop_seconds
    first, at = round(last / hop), round(swell.seconds / hop)
    before = _band_power(heard, first, at)
    dip = _band_power(heard, at - _DIP_HOPS, at + _DIP_HOPS)
    after = _band_power(heard, at, at + round(2.0 / hop))
    if len(before) <= _DIP_HOPS or len(dip) < 2 * _DIP_HOPS:
        return False
    highest = before.max(axis=0)
    floor = 30 * heard.novelty.noise_power
    sounding = (highest > floor) & (highest > _SOUNDING_RATIO * highest.max())
    sunk = dip.mean(axis=0)[sounding] < _SUNK_RATIO * highest[sounding]
    regrown = after.max(axis=0).sum() > _REGROWTH_RATIO * dip.mean(axis=0).sum()
    return bool(sounding.any() and sunk.mean() >= _SUNK_BANDS and regrown)


def _band_power(heard: HeardTake, first: int, end: int) -> FloatArray:
    bands = heard.course.bands_db[max(0, first) : max(0, end)].astype(np.float32)
    return np.asarray(10 ** (bands / 10))
