"""When the keys of notes went down that rise along a curve.

Partials that may grow in any way leave open when they began: a bit later and straighter fits nearly
as well. Held to one way of growing, straight or curved, they do not, and all notes of a patch grow
alike; what they leave together tells the way and the moment.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.slicing.course import FloatArray
from keymapper.slicing.growth import GROWING
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.placing import spread
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.swelling import beginning_of, left_by_ways
from keymapper.slicing.timing import Asked

_WAYS: Sequence[Sequence[int]] = ((1, 2), (2, 3), (3, 4))
"""Powers of the time: of each way the first, and what beats make of it; the first way is straight.
"""
_REACH_SECONDS = 0.3
_UNTIL_SECONDS = 0.3
"""Notes are looked at from so long before they are expected to so long after."""
_ROUGH, _FINE = np.arange(-0.28, 0.1, 0.02), np.arange(-0.03, 0.031, 0.004)
_NOW = np.zeros(1)
_LEAST_NOTES, _FEW_NOTES = 3, 5
"""So many have to be seen, and are enough to tell straight from curved."""
_CLEARLY = 0.002
"""By so much, in nepers of power, a curve leaves less than a straight line, on average."""


def curved_seconds(heard: HeardTake, asked: Sequence[Asked]) -> float | None:
    """Return how much later than expected the keys of curved notes went down.

    None where the notes rise straight, or too few of them are seen to rise.
    """
    if way_of_growing(heard, asked, _ROUGH) == GROWING:
        return None
    left = _left(heard, asked, _ROUGH, _WAYS)
    if left is None or left[0].min() - left.min() < _CLEARLY:
        return None
    way, place = np.unravel_index(int(np.argmin(left)), left.shape)
    later = float(_ROUGH[place])
    near = [replace(one, expected_seconds=one.expected_seconds + later) for one in asked]
    left = _left(heard, near, _FINE, (_WAYS[int(way)],))
    return later if left is None else later + float(_FINE[np.argmin(left[0])])


def way_of_growing(
    heard: HeardTake, asked: Sequence[Asked], moments: FloatArray = _NOW
) -> Sequence[int]:
    """Return by which powers of the time since key-down the notes of a patch grow.

    moments : when that may have been, in seconds after they were asked for. A few of the notes
    are listened to.
    """
    few = [asked[at] for at in spread(len(asked), _FEW_NOTES)]
    left = _left(heard, few, moments, _WAYS)
    if left is None or left[0].min() - left.min() < _CLEARLY:
        return GROWING
    return _WAYS[int(np.argmin(left.min(axis=1)))]


def _left(
    heard: HeardTake,
    asked: Sequence[Asked],
    moments: FloatArray,
    ways: Sequence[Sequence[int]],
) -> FloatArray | None:
    """Return what notes leave by every way and from every moment, their mean."""
    beginnings = (
        beginning_of(heard.take, heard.levels, one, heard.hum_hz, _REACH_SECONDS) for one in asked
    )
    found = side_by_side(
        lambda one: None if one is None else left_by_ways(one, moments, ways, _UNTIL_SECONDS),
        beginnings,
    )
    seen = [one for one in found if one is not None]
    return np.mean(seen, axis=0) if len(seen) >= _LEAST_NOTES else None
