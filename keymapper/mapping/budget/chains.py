"""What each key costs in each way it could be played."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.mapping.budget.layers import KEYS, Layer
from keymapper.mapping.budget.search import Chain
from keymapper.mapping.budget.terms import BudgetLimits
from keymapper.mapping.budget.ways import Way
from keymapper.mapping.key_ranges import key_ranges
from keymapper.model.hearing import difference_db
from keymapper.model.recipe import ZoneSettings

SPEED_DB_PER_SEMITONE = 0.15
"""Attack, decay and movement change their speed with each semitone of transposition."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Costs:
    """What does not depend on the ways in which notes are kept."""

    layers: tuple[Layer, ...]
    distances_db: dict[tuple[int, int], np.ndarray]
    """Of the keys of one layer played by another's roots, by (played by, played); only of layers
    that can stand in for each other; shape (roots, KEYS), 0 where the played layer is silent."""
    splits: tuple[np.ndarray, ...]
    """Of each layer: last key of the lower of two roots, shape (roots, roots)."""


def costs_of(layers: Sequence[Layer], limits: BudgetLimits) -> Costs:
    """Return how far every root is from every key it could play."""
    return Costs(
        layers=tuple(layers),
        distances_db={
            (by, of): _distances_db(layers, by, of, limits)
            for by in range(len(layers))
            for of in range(len(layers))
            if by == of or (layers[by].family == layers[of].family and limits.interchangeable)
        },
        splits=tuple(_splits(layer.root_keys, limits.zones) for layer in layers),
    )


def _distances_db(layers: Sequence[Layer], by: int, of: int, limits: BudgetLimits) -> np.ndarray:
    player, played = layers[by], layers[of]
    colour = difference_db(player.moved, played.full[None])
    moved = np.arange(KEYS) - player.root_keys[:, None]
    moved_in_full = np.arange(KEYS) - played.root_keys[played.owners]
    distances: np.ndarray = np.hypot(colour, SPEED_DB_PER_SEMITONE * (moved - moved_in_full))
    distances[np.abs(moved) > limits.zones.farthest] = np.inf
    own = np.arange(len(player.roots))[:, None] == player.owners
    if not limits.interchangeable:
        distances[~own] = np.inf
    if by == of:
        distances[own] = 0.0
    distances[:, played.owners < 0] = 0.0
    return distances


def _splits(root_keys: np.ndarray, zones: ZoneSettings) -> np.ndarray:
    count = len(root_keys)
    splits = np.zeros((count, count), int)
    for high in range(count):
        for low in range(high):
            pair = (int(root_keys[low]), int(root_keys[high]))
            splits[low, high] = key_ranges(pair, zones)[0].high_key
    return splits


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """How much may be spent, in notes and in units of size; 0 of what is not limited."""

    most_notes: int
    most_units: int
    unit_bytes: int

    @property
    def most(self) -> tuple[int, int]:
        """Most notes, most units."""
        return self.most_notes, self.most_units

    def spent(self, way: Way) -> tuple[int, int]:
        """Return the notes and the units that a way takes."""
        units = math.ceil(way.size_bytes / self.unit_bytes) if self.most_units else 0
        return way.turns if self.most_notes else 0, units


def count_of(limits: BudgetLimits, units: int) -> Count:
    """Return how the search counts what is limited: sizes in that many units."""
    unit_bytes = max(1, math.ceil((limits.most_bytes or 0) / units))
    return Count(
        most_notes=limits.most_notes or 0,
        most_units=(limits.most_bytes or 0) // unit_bytes,
        unit_bytes=unit_bytes,
    )


def chains_of(costs: Costs, ways: Sequence[Sequence[Sequence[Way]]], count: Count) -> list[Chain]:
    """Return each layer's chain for every run of layers it could play, by where the run ends.

    ways : of each root of each layer.
    """
    return [
        _chain(costs, run, recorded, ways[recorded], count)
        for run in _runs(costs)
        for recorded in run
    ]


def _runs(costs: Costs) -> Iterator[range]:
    count = len(costs.layers)
    for end in range(1, count + 1):
        for first in range(end):
            if (first, end - 1) in costs.distances_db:
                yield range(first, end)


def _chain(costs: Costs, run: range, by: int, ways: Sequence[Sequence[Way]], count: Count) -> Chain:
    layer = costs.layers[by]
    most = max(len(of_root) for of_root in ways)
    worst = np.full((len(layer.roots), most, KEYS), np.inf)
    total = worst.copy()
    spends = np.zeros((len(layer.roots), most, 2), int)
    for root, of_root in enumerate(ways):
        losses = np.array([way.loss_db for way in of_root])[None, :, None]
        distances = np.stack([costs.distances_db[by, of][root] for of in run])[:, None]
        silent = np.stack([costs.layers[of].owners < 0 for of in run])[:, None]
        each = np.where(silent, 0.0, np.hypot(distances, losses))
        worst[root, : len(of_root)] = each.max(axis=0)
        total[root, : len(of_root)] = each.sum(axis=0)
        spends[root, : len(of_root)] = [count.spent(way) for way in of_root]
    played = np.concatenate([costs.layers[of].played for of in run])
    return Chain(
        layer=by,
        first_layer=run.start,
        end_layer=run.stop,
        low_key=int(min(played.min(), layer.root_keys[0])),
        high_key=int(max(played.max(), layer.root_keys[-1])),
        root_keys=layer.root_keys,
        worst=worst,
        total=total,
        spends=spends,
        splits=costs.splits[by],
    )
