"""When the keys of notes went down that rise along a curve.

Partials that may grow in any way leave open when they began: a bit later and straighter fits nearly
as well. Held to one power of the time, straight or curved, they do not, and all notes of a patch
grow alike; what they leave together tells the power and a rough clock line. Then the next power,
which beats need, draws it finely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.slicing.alignment import fitted_line
from keymapper.slicing.beginning import beginning_of, is_held_long
from keymapper.slicing.course import FloatArray
from keymapper.slicing.growth import GROWING
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.placing import spread
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.swelling import left_by_ways
from keymapper.slicing.timing import Asked

_ALONE: Sequence[Sequence[int]] = ((1,), (2,), (3,))
"""Powers of the time that tell the way; the first is straight."""
_BETWEEN_POWERS = 0.25
"""What grows further than this from a power grows between two."""
_UNTIL_SECONDS = 0.3
"""Notes are followed for so long after they are expected."""
_REACH_SECONDS, _NEAR_REACH_SECONDS = 0.3, 0.05
"""Keys may go down so far from where they are expected, before and after a rough line is known: the
less is left open, the less of what still rings before a note is fitted beside it."""
_ROUGH, _FINE = np.arange(-0.28, 0.1, 0.02), np.arange(-0.04, 0.041, 0.004)
_BETWEEN = 8
"""Lines are tried at so many places from one moment to the next."""
_USUAL_DRIFT, _UNUSUALLY = 300e-6, 0.00005
"""A drift of that size has to leave less, by so many nepers of power."""
_NOW = np.zeros(1)
_LEAST_NOTES, _FEW_NOTES = 3, 5
"""So many have to be seen, and are enough to tell straight from curved."""
_AS_WELL = 0.1
"""One power leaves, beside two, no more than so many nepers of power."""
_CLEARLY = 0.002
"""By so much, in nepers of power, a curve leaves less than a straight line, on average."""


def curved_line(
    heard: HeardTake, asked: Sequence[Asked], plan: FloatArray, latency: float, drift: float
) -> tuple[float, float]:
    """Return latency (seconds) and drift (ratio) of the line through key-downs of curved notes.

    It is the line from which all notes together leave least, so that those weigh most whose
    beginning is seen best. Where the notes rise straight, or too few are seen, it stays as it was.

    plan : the note-on of each note, in seconds. latency, drift : of the line so far.
    """
    if way_of_growing(heard, asked, _ROUGH) == GROWING:
        return latency, drift
    ways = _ALONE
    for moments, reach in ((_ROUGH, _REACH_SECONDS), (_FINE, _NEAR_REACH_SECONDS)):
        moved = _moved(asked, plan, latency, drift)
        seen, left = _left(heard, moved, moments, ways, reach)
        if len(seen) < _LEAST_NOTES:
            break
        lines = [_least_line(one, moments, plan[seen], drift) for one in left.swapaxes(0, 1)]
        best = min(range(len(lines)), key=lambda way: lines[way][0])
        if len(lines) > 1 and lines[0][0] - lines[best][0] < _CLEARLY:
            break
        if len(lines) > 1:
            ways = (_way([line[0] for line in lines]),)
        latency, drift = latency + lines[best][1], drift + lines[best][2]
    else:
        return _line_by_one_power(heard, asked, plan, ways[0], latency, drift)
    return latency, drift


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


def _least_line(
    left: FloatArray, moments: FloatArray, plan: FloatArray, drift: float
) -> tuple[float, float, float]:
    """Return the least that notes leave from a line, their mean, and its latency and drift.

    Both are counted from the line so far, whose drift is given; moments are seconds from it, evenly
    spaced. left : of every note from each moment, shape (notes, moments).
    """
    from scipy.interpolate import CubicSpline  # takes a while to load; few takes need it

    step = float(moments[1] - moments[0]) / _BETWEEN
    shifts = np.arange(moments[0], moments[-1], step)
    profiles = CubicSpline(moments, left, axis=1)(shifts)
    middle, half = 0.5 * float(plan.max() + plan.min()), max(0.5 * float(np.ptp(plan)), 1.0)
    every_note, places = np.arange(len(plan)), np.arange(len(shifts))[:, None]
    found = []
    for tilt in np.arange(moments[0], -moments[0], step) / half:
        at = places + np.rint((plan - middle) * tilt / step).astype(int)
        means = profiles[every_note, np.clip(at, 0, len(shifts) - 1)].mean(axis=1)
        least = int(np.argmin(means))
        unusual = _UNUSUALLY * ((drift + tilt) / _USUAL_DRIFT) ** 2
        found.append(
            (float(means[least] + unusual), float(shifts[least] - tilt * middle), float(tilt))
        )
    return min(found)


def _way(left: Sequence[float]) -> Sequence[int]:
    """Return the two powers by which notes grow that leave so much by each power alone.

    A power and the next, which beats make of it; or the two that a curve lies between.
    """
    best = int(np.argmin(left))
    power = float(_ALONE[best][0])
    if 0 < best < len(left) - 1:
        low, least, high = left[best - 1 : best + 2]
        power += 0.5 * (low - high) / max(low - 2 * least + high, 1e-12)
    lower = round(power) if abs(power - round(power)) < _BETWEEN_POWERS else int(power)
    return (lower, lower + 1)


def way_of_growing(
    heard: HeardTake, asked: Sequence[Asked], moments: FloatArray = _NOW
) -> Sequence[int]:
    """Return by which powers of the time since key-down the notes of a patch grow.

    moments : when that may have been, in seconds after they were asked for. A few of the notes
    are listened to.
    """
    long = [one for one in asked if is_held_long(one)]
    few = [long[at] for at in spread(len(long), _FEW_NOTES)]
    seen, every = _left(heard, few, moments, _ALONE, _REACH_SECONDS)
    if len(seen) < _LEAST_NOTES:
        return GROWING
    left = every.mean(axis=0)
    if left[0].min() - left.min() < _CLEARLY:
        return GROWING
    return _way(left.min(axis=1).tolist())


def _left(
    heard: HeardTake,
    asked: Sequence[Asked],
    moments: FloatArray,
    ways: Sequence[Sequence[int]],
    reach_seconds: float,
) -> tuple[list[int], FloatArray]:
    """Return which notes are seen, and what they leave, shape (notes, ways, moments)."""
    beginnings = (
        beginning_of(heard.take, heard.levels, one, heard.hum_hz, reach_seconds) for one in asked
    )
    found = side_by_side(
        lambda one: None if one is None else left_by_ways(one, moments, ways, _UNTIL_SECONDS),
        beginnings,
    )
    seen = {place: one for place, one in enumerate(found) if one is not None}
    return list(seen), np.array(list(seen.values()))
