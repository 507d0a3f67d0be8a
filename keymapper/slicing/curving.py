"""When the keys of notes went down that rise along a curve.

Partials that may grow in any way leave open when they began: a bit later and straighter fits nearly
as well. Partials that bend no more than they do in the hold do not (see `rising`), and all notes of
a patch grow alike: together they tell the power of the time by which they rise, and a clock line.
Where most follow that power alone, it is drawn most finely.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.slicing.alignment import fitted_line
from keymapper.slicing.beginning import Beginning, beginning_of, is_held_long
from keymapper.slicing.course import FloatArray
from keymapper.slicing.growth import GROWING
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.placing import spread
from keymapper.slicing.rising import Rise, likelihoods
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.swelling import left_by_ways
from keymapper.slicing.timing import Asked

_STRAIGHT = (Rise(power=1), Rise(power=1, bend_spread=0.5))
"""The other comes to an end soon, or is not quite straight."""
_CURVED = (
    Rise(power=1, bend=0.75, bend_spread=0.4),
    Rise(power=2),
    Rise(power=2, bend=0.75, bend_spread=0.4),
    Rise(power=3),
)
"""By a power, and between two."""
_RISES = (*_STRAIGHT, *_CURVED)
_UNTIL_SECONDS = 0.3
"""Notes are followed for so long after they are expected."""
_REACH_SECONDS, _NEAR_REACH_SECONDS = 0.3, 0.05
"""Keys may go down so far from where they are expected, before and after a rough line is known: the
less is left open, the less of what still rings before a note is fitted beside it."""
_ROUGH, _FINE = np.arange(-0.28, 0.1, 0.02), np.arange(-0.04, 0.041, 0.004)
_FAR = np.concatenate([np.arange(-0.78, -0.3, 0.1), _ROUGH])
"""The first line of notes that swell for very long is that of when they are heard at last."""
_BETWEEN = 8
"""Lines are tried at so many places from one moment to the next."""
_USUAL_DRIFT = 300e-6
_SURELY = 10.0
"""A note that rules out a moment by more nepers than this hardly counts for more: it may be the
one that is misheard."""
_NOW = np.zeros(1)
_LEAST_NOTES, _FEW_NOTES, _SOME_NOTES = 2, 5, 10
"""So many have to be seen, are enough to tell straight from curved, and to tell a power."""
_AS_WELL = 0.1
"""One power leaves, beside two, no more than so many nepers of power."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A line by what it differs from the one so far, and how much notes doubt it, all together."""

    doubt: float
    latency: float
    drift: float


def curved_line(
    heard: HeardTake, asked: Sequence[Asked], plan: FloatArray, latency: float, drift: float
) -> tuple[float, float]:
    """Return latency (seconds) and drift (ratio) of the line through key-downs of curved notes.

    It is the line from which all notes together leave least, so that those weigh most whose
    beginning is seen best. Where the notes rise straight, or too few are seen, it stays as it was.
    What rises between two powers began later than by the higher one; that one's line is taken.

    plan : the note-on of each note, in seconds. latency, drift : of the line so far.
    """
    rise, later = _likeliest(heard, asked, _FAR)
    if rise in _STRAIGHT:
        return latency, drift
    back = min(0.0, later - float(_ROUGH[0]))
    long = [place for place, one in enumerate(asked) if is_held_long(one)]
    notes, planned = [asked[at] for at in long], plan[long]
    some = spread(len(long), _SOME_NOTES)
    moved = _moved([notes[at] for at in some], planned[some], latency, drift)
    lines = _lines(heard, moved, planned[some], drift, _RISES, _REACH_SECONDS, back)
    if not lines:
        return latency, drift
    best = min(range(len(lines)), key=lambda place: lines[place].doubt)
    rise = _RISES[best]
    if rise in _STRAIGHT:
        return latency, drift
    line = lines[best + 1 if rise.bend else best]
    latency, drift = latency + back + line.latency, drift + line.drift
    if rise.bend:
        return latency, drift
    moved = _moved(notes, planned, latency, drift)
    for line in _lines(heard, moved, planned, drift, [rise], _NEAR_REACH_SECONDS):
        latency, drift = latency + line.latency, drift + line.drift
    return _line_by_one_power(heard, asked, plan, rise.way, latency, drift)


def _lines(
    heard: HeardTake,
    asked: Sequence[Asked],
    plan: FloatArray,
    drift: float,
    rises: Sequence[Rise],
    reach_seconds: float,
    back_seconds: float = 0.0,
) -> list[_Line]:
    """Return the line that notes doubt least of each rise; none where too few of them are seen.

    drift : of the line so far, by which they are asked for. back_seconds : after that line, from
    where others are looked for and counted.
    """
    moments = _ROUGH if reach_seconds == _REACH_SECONDS else _FINE
    seen, doubts = _doubts(heard, asked, moments + back_seconds, rises, reach_seconds)
    if len(seen) < _LEAST_NOTES:
        return []
    return [_least_line(one, moments, plan[seen], drift) for one in doubts.swapaxes(0, 1)]


def _line_by_one_power(
    heard: HeardTake,
    asked: Sequence[Asked],
    plan: FloatArray,
    way: Sequence[int],
    latency: float,
    drift: float,
) -> tuple[float, float]:
    """Return the line through the moments from which notes grow best by one power of the time.

    Most notes do so as well as if they could bend, and then are seen far more exactly, where the
    sound grows by that power indeed; those that beat do not. Else the line stays as it was.
    """
    moved = _moved(asked, plan, latency, drift)
    seen, left = _left(heard, moved, _FINE, (way[:1], way), _NEAR_REACH_SECONDS)
    if len(seen) < _LEAST_NOTES:
        return latency, drift
    least = left.min(axis=2)
    bent, clear = least[:, 0] - least[:, 1], least[:, 1] <= np.median(least[:, 1])
    if np.median(bent[clear]) > _AS_WELL:
        return latency, drift
    later, sharpness = _least_moments(left[:, 0], _FINE)
    held = (bent <= _AS_WELL) & (sharpness > 0)
    if held.sum() < _LEAST_NOTES:
        return latency, drift
    planned = plan[seen][held]
    moments = latency + (1 + drift) * planned + later[held]
    return fitted_line(planned, moments, sharpness[held], latency, drift)


def _least_moments(left: FloatArray, moments: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return from when each note leaves least, by parabolas, and how sharply; 0 at either end.

    left : shape (notes, moments), these evenly spaced.
    """
    best = np.clip(np.argmin(left, axis=1), 1, len(moments) - 2)
    low, middle, high = (left[np.arange(len(left)), best + step] for step in (-1, 0, 1))
    sharpness = low - 2 * middle + high
    is_inside = (middle <= low) & (middle <= high) & (sharpness > 0)
    beside = 0.5 * (low - high) / np.where(is_inside, sharpness, 1.0)
    later = moments[best] + beside * (moments[1] - moments[0])
    return later, np.where(is_inside, sharpness, 0.0)


def _moved(asked: Sequence[Asked], plan: FloatArray, latency: float, drift: float) -> list[Asked]:
    """Return notes, expected where a line has them."""
    on_line = (latency + (1 + drift) * plan).tolist()
    return [replace(a, expected_seconds=at) for a, at in zip(asked, on_line, strict=True)]


def _least_line(doubts: FloatArray, moments: FloatArray, plan: FloatArray, drift: float) -> _Line:
    """Return the line that notes doubt least, by moments of theirs, evenly spaced.

    drift : of the line so far, from which moments are counted. doubts : of every note about each
    moment, shape (notes, moments).
    """
    from scipy.interpolate import PchipInterpolator  # takes a while to load; few takes need it

    step = float(moments[1] - moments[0]) / _BETWEEN
    shifts = np.arange(moments[0], moments[-1], step)
    profiles = PchipInterpolator(moments, doubts, axis=1)(shifts)
    middle, half = 0.5 * float(plan.max() + plan.min()), max(0.5 * float(np.ptp(plan)), 1.0)
    every_note, places = np.arange(len(plan)), np.arange(len(shifts))[:, None]
    found: list[tuple[float, float, float]] = []
    for tilt in np.arange(moments[0], -moments[0], step) / half:
        at = places + np.rint((plan - middle) * tilt / step).astype(int)
        sums = profiles[every_note, np.clip(at, 0, len(shifts) - 1)].sum(axis=1)
        least = int(np.argmin(sums))
        unusual = 0.5 * ((drift + tilt) / _USUAL_DRIFT) ** 2
        later = float(shifts[least] - tilt * middle)
        found.append((float(sums[least] + unusual), later, float(tilt)))
    doubt, later, tilt = min(found)
    return _Line(doubt=doubt, latency=later, drift=tilt)


def way_of_growing(heard: HeardTake, asked: Sequence[Asked]) -> Sequence[int]:
    """Return by which powers of the time since key-down the notes of a patch grow.

    A power and the next, which beats make of it; straight ones may bend as they like.
    """
    rise = rise_of(heard, asked)
    return GROWING if rise in _STRAIGHT else rise.way


def rise_of(heard: HeardTake, asked: Sequence[Asked]) -> Rise:
    """Return how notes of a patch rise whose keys went down when they were asked for."""
    return _likeliest(heard, asked, _NOW)[0]


def _likeliest(heard: HeardTake, asked: Sequence[Asked], moments: FloatArray) -> tuple[Rise, float]:
    """Return how the notes of a patch rise, and from when on: straight, where too few tell.

    moments : when their keys may have gone down, in seconds after they were asked for. A few of
    the notes are listened to.
    """
    long = [one for one in asked if is_held_long(one)]
    few = [long[at] for at in spread(len(long), _FEW_NOTES)]
    seen, doubts = _doubts(heard, few, moments, _RISES, _REACH_SECONDS)
    if len(seen) < _LEAST_NOTES:
        return _STRAIGHT[0], 0.0
    together = doubts.sum(axis=0)
    rise, moment = np.unravel_index(int(np.argmin(together)), together.shape)
    return _RISES[rise], float(moments[moment])


def _doubts(
    heard: HeardTake,
    asked: Sequence[Asked],
    moments: FloatArray,
    rises: Sequence[Rise],
    reach_seconds: float,
) -> tuple[list[int], FloatArray]:
    """Return which notes are seen, and how they doubt each way and moment.

    Shape (notes, rises, moments); in nepers from what is likeliest, where these are few.
    """
    seen = _seen(
        heard, asked, reach_seconds, lambda one: likelihoods(one, moments, rises, _UNTIL_SECONDS)
    )
    doubts = [_SURELY * np.log1p((one.max() - one) / _SURELY) for one in seen.values()]
    return list(seen), np.array(doubts)


def _left(
    heard: HeardTake,
    asked: Sequence[Asked],
    moments: FloatArray,
    ways: Sequence[Sequence[int]],
    reach_seconds: float,
) -> tuple[list[int], FloatArray]:
    """Return which notes are seen, and what they leave, shape (notes, ways, moments)."""
    seen = _seen(
        heard, asked, reach_seconds, lambda one: left_by_ways(one, moments, ways, _UNTIL_SECONDS)
    )
    return list(seen), np.array(list(seen.values()))


def _seen(
    heard: HeardTake,
    asked: Sequence[Asked],
    reach_seconds: float,
    told_by: Callable[[Beginning], FloatArray | None],
) -> dict[int, FloatArray]:
    """Return what the beginnings of notes tell, by their places; not of those that tell nothing."""
    beginnings = (
        beginning_of(heard.take, heard.levels, one, heard.hum_hz, reach_seconds) for one in asked
    )
    found = side_by_side(lambda one: None if one is None else told_by(one), beginnings)
    return {place: one for place, one in enumerate(found) if one is not None}
