"""Roughly when notes begin in a take without a plan."""

from __future__ import annotations

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
_UNMISTAKABLE_STRENGTH = 0.42
"""Beating and swelling sounds stay below 0.35."""
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
_LEAST_RISE_SHARE = 0.6
_SWELL_LEAD_SECONDS = (0.04, 0.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteStart:
    """Where a note begins, to a hundredth of a second; to a tenth where it swells."""

    seconds: float
    swells: bool


def note_starts(heard: HeardTake) -> list[NoteStart]:
    """Return where notes begin, in order of time."""
    swells = swells_of(heard.course, heard.novelty, _LEAST_SWELL)
    growing = [swell.seconds for swell in swells if _grows_from_quiet(heard, swell)]
    starts: list[float] = []
    for candidate in heard.candidates:
        if _begins_a_note(heard, candidate, starts, growing):
            starts.append(candidate.seconds)
    slow = _swelling(heard, swells, starts)
    found = [NoteStart(seconds=one, swells=False) for one in starts]
    found += [NoteStart(seconds=one, swells=True) for one in slow]
    return sorted(found, key=lambda start: start.seconds)


def _begins_a_note(
    heard: HeardTake, candidate: Candidate, starts: Sequence[float], growing: Sequence[float]
) -> bool:
    """Say whether a sudden onset is a note of its own.

    starts : the notes found so far; growing : slow swells out of the noise floor.
    """
    seconds, last = candidate.seconds, starts[-1] if starts else None
    if candidate.strength < _FROM_QUIET_STRENGTH:
        return False
    if last is not None and seconds - last < _APART_SECONDS:
        return False
    if is_quiet_before(heard.levels, seconds):
        return True
    if _is_growing(seconds, last, growing):
        return False
    is_sudden = candidate.strength >= _SUDDEN_STRENGTH
    if is_sudden and (last is None or _has_sunk(heard, last, seconds)):
        unmistakable = candidate.strength >= _UNMISTAKABLE_STRENGTH
        if unmistakable and rise_share(heard.levels, seconds) >= _LEAST_RISE_SHARE:
            return True
        if long_new_share(heard.course, heard.novelty, seconds) >= _LEAST_NEW_SHARE:
            return True
    least = _LEAST_BURST if is_sudden else _LEAST_SOFT_BURST
    return burst_ratio(heard.take, heard.levels, seconds) >= least


def _is_growing(seconds: float, last: float | None, growing: Sequence[float]) -> bool:
    """Say whether a swell that no note accounts for began shortly before."""
    return any(
        _SWELL_LEAD_SECONDS[0] <= seconds - swell <= _SWELL_LEAD_SECONDS[1]
        and (last is None or last < swell - 0.15)
        for swell in growing
    )


def _grows_from_quiet(heard: HeardTake, swell: Candidate) -> bool:
    return is_quiet_before(heard.levels, swell.seconds - 0.05)


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
        near = [*starts, *found]
        if any(abs(swell.seconds - start) < _SWELL_APART_SECONDS for start in near):
            continue
        last = max((start for start in near if start < swell.seconds), default=0.0)
        if _grows_from_quiet(heard, swell) or _regrows(heard, last, swell):
            found.append(swell.seconds)
    return found


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
