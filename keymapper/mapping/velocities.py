"""Which velocities a recorded note plays: layers from hints, or from measured levels."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from keymapper.model.keys import HIGHEST_VELOCITY, LOWEST_VELOCITY
from keymapper.model.recipe import VelocitySplit

SAME_LEVEL_DB = 1.5
"""Notes of one key closer than this are repeats of one another, not layers."""
NEAR_VELOCITIES = 16
"""Velocities no further apart than this can be one layer, if no key has both."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerNote:
    """What deciding on a layer needs to know of a note."""

    root_key: int
    velocity: int | None
    round_robin: int | None
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VelocityRange:
    """Velocities low … high, both played."""

    low_velocity: int
    high_velocity: int


def velocity_layers(notes: Sequence[LayerNote]) -> tuple[int, ...]:
    """Return the layer (0 = softest) of each note.

    Notes with a velocity hint make the layers when there are two or more velocities; notes
    without one join the layer whose level at their key (else in the set) is nearest. What was
    played by hand has a velocity of its own at every key: near ones that no key has both of are
    one layer, and so are any of which one is for low keys alone and the other for high ones.
    Notes that are all hinted to have one velocity are one layer, however their levels differ.
    Without hints, notes that share a key are ranked by level, and levels within 1.5 dB are one
    layer; those numbered as repeats are one layer too, unless their levels follow the numbers.
    """
    keys: dict[int, set[int]] = defaultdict(set)
    for note in notes:
        if note.velocity is not None:
            keys[note.velocity].add(note.root_key)
    if len(keys) > 1:
        rank = _ranks_of_velocities(keys)
        known = [None if note.velocity is None else rank[note.velocity] for note in notes]
        return _completed(notes, known)
    if all(note.velocity is not None for note in notes) or _are_numbered_repeats(notes):
        return (0,) * len(notes)
    return _completed(notes, _ranked_by_level(notes))


def _are_numbered_repeats(notes: Sequence[LayerNote]) -> bool:
    """Tell whether hints number the notes of each key, and not from soft to loud on all of them.

    One key is too few to tell: there, numbers are believed to count repeats.
    """
    groups = [
        sorted((notes[i].round_robin or 0, notes[i].level_db) for i in group)
        for group in _by_key(notes).values()
        if len(group) > 1
    ]
    if any(len({number for number, _ in group}) < len(group) for group in groups):
        return False
    follow = all(
        louder - softer > SAME_LEVEL_DB
        for group in groups
        for (_, softer), (_, louder) in pairwise(group)
    )
    return len(groups) == 1 or not follow


def _ranks_of_velocities(keys: Mapping[int, set[int]]) -> dict[int, int]:
    """Return the layer of every velocity; the nearest that can be one are put together first.

    keys : recorded at each velocity.
    """
    layers = [([velocity], set(keys[velocity])) for velocity in sorted(keys)]
    while True:
        joinable = [
            (above[0][0] - below[0][-1], index)
            for index, (below, above) in enumerate(pairwise(layers))
            if _are_one_layer(above[0][0] - below[0][-1], below[1], above[1])
        ]
        if not joinable:
            return {
                velocity: rank for rank, (members, _) in enumerate(layers) for velocity in members
            }
        _, index = min(joinable)
        (below, low_keys), (above, high_keys) = layers[index : index + 2]
        layers[index : index + 2] = [(below + above, low_keys | high_keys)]


def _are_one_layer(velocities_apart: int, some_keys: set[int], other_keys: set[int]) -> bool:
    if some_keys & other_keys:
        return False
    apart = max(some_keys) < min(other_keys) or max(other_keys) < min(some_keys)
    return apart or velocities_apart <= NEAR_VELOCITIES


def _ranked_by_level(notes: Sequence[LayerNote]) -> list[int | None]:
    """Rank within each key; only keys with the usual number of layers count as known."""
    ranks: dict[int, int] = {}
    counts: list[int] = []
    for group in _by_key(notes).values():
        steps = _level_steps([notes[i].level_db for i in group])
        counts.append(max(steps) + 1)
        ranks.update(zip(group, steps, strict=True))
    usual = max(Counter(counts).items(), key=lambda item: (item[1], item[0]))[0]
    complete = {
        i
        for group in _by_key(notes).values()
        if max(ranks[i] for i in group) + 1 == usual
        for i in group
    }
    return [ranks[i] if i in complete else None for i in range(len(notes))]


def _by_key(notes: Sequence[LayerNote]) -> dict[int, list[int]]:
    groups: dict[int, list[int]] = defaultdict(list)
    for index, note in enumerate(notes):
        groups[note.root_key].append(index)
    return groups


def _level_steps(levels_db: Sequence[float]) -> list[int]:
    """Rank levels upwards, starting a new rank where the gap is above SAME_LEVEL_DB."""
    order = sorted(range(len(levels_db)), key=lambda i: levels_db[i])
    steps = [0] * len(levels_db)
    for before, after in pairwise(order):
        steps[after] = steps[before] + (levels_db[after] - levels_db[before] > SAME_LEVEL_DB)
    return steps


def _completed(notes: Sequence[LayerNote], layers: Sequence[int | None]) -> tuple[int, ...]:
    by_layer: dict[int, list[float]] = defaultdict(list)
    at_key: dict[tuple[int, int], list[float]] = defaultdict(list)
    for note, layer in zip(notes, layers, strict=True):
        if layer is not None:
            by_layer[layer].append(note.level_db)
            at_key[note.root_key, layer].append(note.level_db)

    def level(key: int, layer: int) -> float:
        return median(at_key.get((key, layer), by_layer[layer]))

    return tuple(
        layer
        if layer is not None
        else min(sorted(by_layer), key=lambda one: abs(level(note.root_key, one) - note.level_db))
        for note, layer in zip(notes, layers, strict=True)
    )


def velocity_ranges(
    nominal: Sequence[int | None], split: VelocitySplit = "half-way"
) -> tuple[VelocityRange, ...]:
    """Return contiguous ranges over 1..127 for layers from soft to loud.

    nominal : the velocity each layer was recorded at; with any of them unknown, or not above the
    one before, the layers share the range evenly.
    split : between two layers, half-way, or up to the velocity that the lower was recorded at.
    """
    count = len(nominal)
    known = [velocity for velocity in nominal if velocity is not None]
    if len(known) < count or any(below >= above for below, above in pairwise(known)):
        tops = [round(HIGHEST_VELOCITY * (index + 1) / count) for index in range(count)]
    else:
        tops = [
            below if split == "recorded" else (below + above) // 2
            for below, above in pairwise(known)
        ]
        tops.append(HIGHEST_VELOCITY)
    lows = [LOWEST_VELOCITY, *(top + 1 for top in tops[:-1])]
    return tuple(
        VelocityRange(low_velocity=low, high_velocity=top)
        for low, top in zip(lows, tops, strict=True)
    )


def velocity_fades(ranges: Sequence[VelocityRange], wanted: int) -> list[int]:
    """Return the velocities over which each layer but the last fades into the next.

    Fewer than wanted where a layer is narrower: it is whole before it fades out again.
    """
    room = [
        (one.high_velocity - one.low_velocity)
        * (2 if one.low_velocity == LOWEST_VELOCITY or one.high_velocity == HIGHEST_VELOCITY else 1)
        for one in ranges
    ]
    return [min(wanted, below, above) for below, above in pairwise(room)]
