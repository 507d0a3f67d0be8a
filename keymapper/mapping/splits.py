"""Where between two roots one hands over to the other: in the middle, or where it is heard less."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median

import numpy as np

from keymapper.mapping.placing import Place
from keymapper.model.hearing import difference_db, excitations
from keymapper.model.recipe import ZoneSettings
from keymapper.model.tone import Tone

RANGE_SHARE = 0.25
"""Of the way between two roots, to each side of the middle, within which a split may move."""
LEAST_GAIN_DB = 0.3
"""For each key that changes hands, or the split stays in the middle."""
USUAL_RATIO = 2.5
"""A root stands out when it is this many times farther from what is expected than the median."""
LEAST_ODD_DB = 1.0
"""What lies nearer to what is expected never stands out."""
_FEWEST_ROOTS = 4


def last_keys(root_keys: Sequence[int], tones: Sequence[Tone], middles: Sequence[int]) -> list[int]:
    """Return the last key of each root but the highest, where the hand-over is heard least.

    A key between two roots should sound as its place between them says: excitation levels are
    interpolated over the keys. A root that stands out from what its neighbours say of its key
    carries that to every key it plays, and so gets fewer of them, by at most a quarter of the way
    to the next root; where all agree, the middles stay.

    root_keys : rising, distinct; tones : of each root.
    middles : last key of each root but the highest, before anything is moved.
    """
    if all(high - low == 1 for low, high in pairwise(root_keys)):  # no key between them
        return list(middles)
    odd_db = standing_out_db(root_keys, tones)
    return [
        _last_key(root_keys[i : i + 2], tones[i : i + 2], odd_db[i : i + 2], middle)
        for i, middle in enumerate(middles)
    ]


def standing_out_db(root_keys: Sequence[int], tones: Sequence[Tone]) -> list[float]:
    """Return how far each root that stands out sounds from what is expected; 0 for all others.

    Expected is the line through the roots on both sides, or the two before, or the two after,
    whichever is nearest, so that one odd root does not make its neighbours odd. The first and the
    last root, and sets of fewer than four, have nothing to stand out from.
    """
    count = len(root_keys)
    if count < _FEWEST_ROOTS:
        return [0.0] * count
    found = []
    for index in range(1, count - 1):
        pairs = [(index - 1, index + 1), (index - 2, index - 1), (index + 1, index + 2)]
        key = np.array([root_keys[index]])
        own = excitations([tones[index]], np.array([0]))[0]
        expected = [
            _between([root_keys[a], root_keys[b]], [tones[a], tones[b]], key)
            for a, b in pairs
            if a >= 0 and b < count
        ]
        found.append(min(float(difference_db(own, one)[0]) for one in expected))
    usual = max(LEAST_ODD_DB, USUAL_RATIO * median(found))
    return [0.0, *(one if one > usual else 0.0 for one in found), 0.0]


def _between(root_keys: Sequence[int], tones: Sequence[Tone], keys: np.ndarray) -> np.ndarray:
    """Return the excitation of keys on the line through two roots, shape (keys, filters)."""
    low, high = (
        np.log1p(excitations([tone], keys - root)[0])
        for root, tone in zip(root_keys, tones, strict=True)
    )
    share = ((keys - root_keys[0]) / (root_keys[1] - root_keys[0]))[:, None]
    between: np.ndarray = np.expm1(np.maximum(0.0, low + share * (high - low)))
    return between


def _last_key(
    root_keys: Sequence[int], tones: Sequence[Tone], odd_db: Sequence[float], middle: int
) -> int:
    """Return the last key of the lower of two roots."""
    low, high = root_keys
    reach = int(RANGE_SHARE * (high - low))
    first, last = max(low, middle - reach), min(high - 1, middle + reach)
    if first >= last or not any(odd_db):
        return middle
    keys = np.arange(first + 1, last + 1)
    wanted = _between(root_keys, tones, keys)
    by_low, by_high = (
        np.hypot(difference_db(excitations([tone], keys - root)[0], wanted), odd)
        for root, tone, odd in zip(root_keys, tones, odd_db, strict=True)
    )
    costs = [
        by_low[:count].sum() + by_high[count:].sum() + LEAST_GAIN_DB * abs(first + count - middle)
        for count in range(len(keys) + 1)
    ]
    return first + min(range(len(costs)), key=lambda i: (costs[i], abs(first + i - middle)))


def with_quieter_splits(
    places: Sequence[Place],
    root_keys: Sequence[int],
    tones: Sequence[Tone],
    zones: ZoneSettings,
) -> tuple[Place, ...]:
    """Return places with the hand-overs between neighbouring roots where they are heard least.

    Only places of one layer that meet are changed, and only with the split "nearest".

    root_keys, tones : of each note that places speak of.
    """
    if zones.split != "nearest":
        return tuple(places)
    layers: dict[tuple[str, int, int], list[Place]] = defaultdict(list)
    for place in places:
        layers[place.trigger, *place.velocities].append(place)
    moved: dict[Place, Place] = {}
    for layer in layers.values():
        moved.update(_moved(layer, root_keys, tones, zones.farthest))
    return tuple(moved[place] for place in places)


def _moved(
    layer: Sequence[Place], root_keys: Sequence[int], tones: Sequence[Tone], farthest: int
) -> dict[Place, Place]:
    first_turns = sorted(
        (place for place in layer if place.round_robin == 1), key=lambda place: place.low_key
    )
    roots = [root_keys[place.note] for place in first_turns]
    highs = [place.high_key for place in first_turns]
    found = last_keys(roots, [tones[place.note] for place in first_turns], highs[:-1])
    new_high = {place.high_key: place.high_key for place in layer}
    for index, (one, other) in enumerate(pairwise(first_turns)):
        last = found[index]
        within = last - roots[index] <= farthest and roots[index + 1] - last - 1 <= farthest
        if one.high_key + 1 == other.low_key and within:
            new_high[one.high_key] = last
    new_low = {high + 1: last + 1 for high, last in new_high.items()}
    return {
        place: replace(
            place,
            low_key=new_low.get(place.low_key, place.low_key),
            high_key=new_high[place.high_key],
        )
        for place in layer
    }
