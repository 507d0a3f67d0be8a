"""What was chosen, as places and treatments."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from keymapper.mapping.budget.chains import Costs
from keymapper.mapping.budget.layers import Root
from keymapper.mapping.budget.search import Pick
from keymapper.mapping.budget.terms import BudgetLimits, KeepableNote, Treatment
from keymapper.mapping.budget.ways import Common, Way
from keymapper.mapping.placing import Place


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRoot:
    """A root that stays, how, and which keys it plays."""

    layer: int
    layers_played: range
    root: Root
    way: Way
    low_key: int
    high_key: int
    worst_db: float
    total_db: float
    """How much its keys differ, of all layers it plays: the most, and in sum."""

    @property
    def kept(self) -> tuple[Place, ...]:
        """Places in full of the turns that stay."""
        return self.root.places[: self.way.turns]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choice:
    """All that stays, of the instrument or of one stack."""

    common: Common
    roots: tuple[KeptRoot, ...]

    @property
    def worst_db(self) -> float:
        """How much the key that differs most differs."""
        return max(0.0, *(one.worst_db for one in self.roots))

    def mean_db(self, costs: Costs) -> float:
        """How much the keys differ, in the mean over all layers that it plays."""
        layers = {layer for one in self.roots for layer in one.layers_played}
        keys = sum(len(costs.layers[layer].played) for layer in layers)
        return sum(one.total_db for one in self.roots) / keys

    def of_stack(self, stack: int, notes: Sequence[KeepableNote]) -> Choice:
        """Return what stays of one stack."""
        own = (one for one in self.roots if notes[one.root.places[0].note].stack == stack)
        return replace(self, roots=tuple(own))


def chosen(
    costs: Costs,
    ways: Sequence[Sequence[Sequence[Way]]],
    common: Common,
    picks: Sequence[Pick],
    limits: BudgetLimits,
) -> Choice:
    """Return a choice from the picks of the search, in any order."""
    ordered = sorted(picks, key=lambda pick: (pick.chain.first_layer, pick.root))
    roots: list[KeptRoot] = []
    for _, group in groupby(ordered, key=lambda pick: pick.chain.first_layer):
        for pick, (low, high) in _with_ranges(list(group)):
            chain = pick.chain
            root = costs.layers[chain.layer].roots[pick.root]
            played = slice(low, high + 1)
            roots.append(
                KeptRoot(
                    layer=chain.layer,
                    layers_played=range(chain.first_layer, chain.end_layer),
                    root=root,
                    way=ways[chain.layer][pick.root][pick.way],
                    low_key=max(low, _lowest_key(root, limits)),
                    high_key=min(high, _highest_key(root, limits)),
                    worst_db=float(chain.worst[pick.root, pick.way, played].max()),
                    total_db=float(chain.total[pick.root, pick.way, played].sum()),
                )
            )
    return Choice(common=common, roots=tuple(roots))


def _with_ranges(picks: Sequence[Pick]) -> Iterator[tuple[Pick, tuple[int, int]]]:
    """Yield the picks of one chain with the lowest and the highest key of each."""
    chain = picks[0].chain
    low = chain.low_key
    for pick, following in zip(picks, [*picks[1:], None], strict=True):
        high = chain.high_key if following is None else int(chain.splits[pick.root, following.root])
        yield pick, (low, high)
        low = high + 1


def _lowest_key(root: Root, limits: BudgetLimits) -> int:
    if not limits.interchangeable:
        return root.places[0].low_key
    return root.root_key - limits.zones.farthest


def _highest_key(root: Root, limits: BudgetLimits) -> int:
    if not limits.interchangeable:
        return root.places[0].high_key
    return root.root_key + limits.zones.farthest


def places_of(choice: Choice, costs: Costs) -> tuple[Place, ...]:
    """Return where the kept notes play, sorted as places in full are."""
    found = []
    for one in choice.roots:
        velocities = [costs.layers[layer] for layer in one.layers_played]
        turns = sorted(one.kept, key=lambda place: place.round_robin)
        found += [
            replace(
                place,
                low_key=one.low_key,
                high_key=one.high_key,
                low_velocity=velocities[0].low_velocity,
                high_velocity=velocities[-1].high_velocity,
                round_robin=turn + 1,
                round_robins=len(turns),
            )
            for turn, place in enumerate(turns)
        ]
    return tuple(found)


def treatments_of(choice: Choice, notes: Sequence[KeepableNote]) -> tuple[Treatment, ...]:
    """Return how each kept note is written, by rising index."""
    found = [
        Treatment(
            note=place.note,
            shape=one.way.shape,
            rate=min(one.way.rate, notes[place.note].rate),
        )
        for one in choice.roots
        for place in one.kept
    ]
    return tuple(sorted(found, key=lambda treatment: treatment.note))
