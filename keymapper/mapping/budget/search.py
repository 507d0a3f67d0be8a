"""Exact search for the cheapest layers of roots within a size: dynamic programming over keys.

A state is the last root kept so far, how it is kept, and what was spent; its value is the least
cost of all keys up to that root. Costs are combined by a ufunc: `np.maximum` for the worst key,
`np.add` for the sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chain:
    """Roots of one recorded layer, which play every key of it and maybe of other layers."""

    layer: int
    first_layer: int
    end_layer: int
    """Half-open: the layers whose keys it plays."""
    low_key: int
    high_key: int
    root_keys: np.ndarray
    worst: np.ndarray
    """Cost of each key when played by a root in a way, shape (roots, ways, keys); inf where it
    cannot be: the highest of the layers whose keys it plays."""
    total: np.ndarray
    """The sum over those layers."""
    spends: np.ndarray
    """Notes and units of size of each root in each way, shape (roots, ways, 2)."""
    splits: np.ndarray
    """Last key of the lower of two neighbouring roots, shape (roots, roots)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """A root that is kept."""

    chain: Chain
    root: int
    way: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Front:
    """The least cost for everything that may be spent, and what it is made of.

    Arrays are of shape (notes + 1, units + 1): cell [n, u] is for at most n notes and u units.
    """

    costs: np.ndarray
    links: np.ndarray
    """Into the ledger; -1 where nothing was picked."""


@dataclass(slots=True)
class Ledger:
    """Every pick of every cell, and the pick before it."""

    picks: list[Pick] = field(default_factory=list)
    parents: list[np.ndarray] = field(default_factory=list)

    def entered(self, pick: Pick, parents: np.ndarray) -> np.ndarray:
        """Return links to a pick in each cell."""
        self.picks.append(pick)
        self.parents.append(parents.ravel())
        first = (len(self.picks) - 1) * parents.size
        links = np.arange(first, first + parents.size, dtype=np.int32)
        return links.reshape(parents.shape)

    def traced(self, link: int) -> list[Pick]:
        """Return the picks that a link stands for, the last first."""
        found = []
        while link >= 0:
            entry, cell = divmod(link, self.parents[0].size)
            found.append(self.picks[entry])
            link = int(self.parents[entry][cell])
        return found


def empty_front(most_notes: int, most_units: int) -> Front:
    """Return the front before anything is picked."""
    shape = (most_notes + 1, most_units + 1)
    return Front(costs=np.zeros(shape), links=np.full(shape, -1, np.int32))


def unreachable(front: Front) -> Front:
    """Return a front of the same shape in which nothing can be had."""
    return Front(costs=np.full_like(front.costs, np.inf), links=np.full_like(front.links, -1))


def cheaper(one: Front, other: Front) -> Front:
    """Return the cheaper of two fronts, cell by cell; the first where they are equal."""
    better = other.costs < one.costs
    return Front(
        costs=np.where(better, other.costs, one.costs),
        links=np.where(better, other.links, one.links),
    )


def least_worst_db(chains: Sequence[Chain], limits: tuple[int, int], bound_db: float) -> float:
    """Return the least cost that no key need exceed, inf where nothing fits.

    chains : those that end at a layer after those that end before it.
    limits : most notes, most units.
    bound_db : a cost that is known to be enough; what is worse is not looked at.
    """
    fronts = {0: empty_front(*limits)}
    for chain in chains:
        allowed = np.where(chain.worst <= bound_db, chain.worst, np.inf)
        _advance(fronts, chain, allowed, np.maximum, None)
    return float(fronts[max(fronts)].costs[-1, -1])


def least_sum_db(
    chains: Sequence[Chain], limits: tuple[int, int], worst_db: float
) -> tuple[float, list[Pick]]:
    """Return the least sum over all keys with none worse than a cost, and the picks it takes."""
    ledger = Ledger()
    fronts = {0: empty_front(*limits)}
    for chain in chains:
        allowed = np.where(chain.worst <= worst_db, chain.total, np.inf)
        _advance(fronts, chain, allowed, np.add, ledger)
    last = fronts[max(fronts)]
    return float(last.costs[-1, -1]), ledger.traced(int(last.links[-1, -1]))


def _advance(
    fronts: dict[int, Front],
    chain: Chain,
    costs: np.ndarray,
    combine: np.ufunc,
    ledger: Ledger | None,
) -> None:
    """Put into `fronts` what a chain makes of the front it starts from."""
    after = extended(fronts[chain.first_layer], chain, costs, combine, ledger)
    end = chain.end_layer
    fronts[end] = cheaper(fronts[end], after) if end in fronts else after


def extended(
    before: Front, chain: Chain, costs: np.ndarray, combine: np.ufunc, ledger: Ledger | None
) -> Front:
    """Return the front after the keys of a chain, played by whatever subset of its roots.

    costs : of each key, shape (roots, ways, keys).
    """
    upwards, downwards = _accumulated(chain.root_keys, costs, combine)
    kept: list[Front] = []
    result = unreachable(before)
    for root in range(len(chain.root_keys)):
        entered = _joined(before, downwards[root, :, chain.low_key], combine)
        for previous, front in enumerate(kept):
            split = int(chain.splits[previous, root])
            upward, downward = upwards[previous, :, split], downwards[root, :, split + 1]
            if np.isfinite(upward.min()) and np.isfinite(downward.min()):
                left = _best_way(_joined(front, upward, combine))
                entered = cheaper(entered, _joined(left, downward, combine))
        kept.append(_paid(entered, chain, root, ledger))
        last = _best_way(_joined(kept[root], upwards[root, :, chain.high_key], combine))
        result = cheaper(result, last)
    return result


def _accumulated(
    root_keys: np.ndarray, all_costs: np.ndarray, combine: np.ufunc
) -> tuple[np.ndarray, np.ndarray]:
    """Cost of the keys from each root up to a key, and from a key up to below the root.

    Both of shape (roots, ways, keys); nothing to play costs 0.
    """
    upwards, downwards = np.zeros_like(all_costs), np.zeros_like(all_costs)
    for root, key in enumerate(root_keys):
        costs = all_costs[root]
        upwards[root, :, key:] = combine.accumulate(costs[:, key:], axis=1)
        downwards[root, :, :key] = combine.accumulate(costs[:, :key][:, ::-1], axis=1)[:, ::-1]
    return upwards, downwards


def _joined(front: Front, costs: np.ndarray, combine: np.ufunc) -> Front:
    """Return a front for each way, shape (ways, …), with the cost of some keys in it."""
    joined = combine(front.costs, costs[:, None, None])
    return Front(costs=joined, links=np.broadcast_to(front.links, joined.shape))


def _best_way(front: Front) -> Front:
    """Return the front of whichever way is cheapest, cell by cell."""
    best = front.costs.argmin(axis=0)[None]
    return Front(
        costs=np.take_along_axis(front.costs, best, 0)[0],
        links=np.take_along_axis(front.links, best, 0)[0],
    )


def _paid(front: Front, chain: Chain, root: int, ledger: Ledger | None) -> Front:
    """Return the front of each way after its notes and units are spent, entered in the ledger."""
    costs, links = np.full_like(front.costs, np.inf), np.full(front.costs.shape, -1, np.int32)
    most_notes, most_units = costs.shape[1] - 1, costs.shape[2] - 1
    for way, (notes, units) in enumerate(chain.spends[root]):
        if notes <= most_notes and units <= most_units:
            spent = np.s_[way, notes:, units:]
            left = np.s_[way, : most_notes + 1 - notes, : most_units + 1 - units]
            costs[spent] = front.costs[left]
            if ledger is not None:
                parents = np.full(costs.shape[1:], -1, np.int32)
                parents[notes:, units:] = front.links[left]
                links[way] = ledger.entered(Pick(chain=chain, root=root, way=way), parents)
    return Front(costs=costs, links=links)
