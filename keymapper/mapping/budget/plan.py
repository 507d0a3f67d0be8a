"""From an instrument in full and a limit to the smaller instrument that is heard least."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from keymapper.errors import UsageError
from keymapper.mapping.budget.chains import Costs, Count, chains_of, costs_of, count_of
from keymapper.mapping.budget.choice import Choice, chosen, places_of, treatments_of
from keymapper.mapping.budget.layers import layers_of
from keymapper.mapping.budget.search import Chain, least_sum_db, least_worst_db
from keymapper.mapping.budget.terms import BudgetLimits, BudgetPlan, KeepableNote, Treatment
from keymapper.mapping.budget.ways import Common, Way, commons, note_bytes, ways_of
from keymapper.mapping.budget.words import given_up, size_text
from keymapper.mapping.placing import Place

COARSE_UNITS = 100
"""Of a first search, which finds what is enough for the exact one to look at."""
LEAST_UNITS = 2000
UNITS_A_ROOT = 20
UNITS_BESIDE_NOTES = 250
"""Where the number of notes is limited too."""
_ROUNDING = 1 + 1e-9


def budget_plan(
    places: Sequence[Place],
    root_keys: Sequence[int],
    notes: Sequence[KeepableNote],
    limits: BudgetLimits,
) -> BudgetPlan:
    """Return what to keep of an instrument so that it fits and differs least from all of it.

    First the key that differs most is made to differ as little as possible, then the sum over all
    keys of all layers: exactly, by dynamic programming over the roots of each layer, for every
    choice of layers and of what is common to all; sizes are rounded up to 1/2000 of the budget
    or less (1/250 where the number of notes is limited too).

    places : of the instrument in full; they speak of `root_keys` and `notes` by index.

    Raises
    ------
    UsageError
        Nothing that plays every key is so small.
    """
    full = _all_of_it(places, notes, limits)
    if _fits(full, limits):
        return full
    costs = costs_of(layers_of(places, root_keys, notes), limits)
    choice = _cheapest(costs, notes, limits)
    treatments = treatments_of(choice, notes)
    return BudgetPlan(
        places=places_of(choice, costs),
        treatments=treatments,
        folded=choice.common.folded,
        bits=choice.common.bits,
        size_bytes=_size_bytes(treatments, notes, choice.common),
        full_bytes=full.full_bytes,
        worst_db=choice.worst_db,
        mean_db=choice.mean_db(costs),
        given_up_of=tuple(
            given_up(choice.of_stack(stack, notes), costs, notes, limits)
            for stack in range(1 + max(note.stack for note in notes))
        ),
    )


def _all_of_it(
    places: Sequence[Place], notes: Sequence[KeepableNote], limits: BudgetLimits
) -> BudgetPlan:
    kept = sorted({place.note for place in places})
    treatments = tuple(Treatment(note=i, shape=0, rate=notes[i].rate) for i in kept)
    size = _size_bytes(treatments, notes, Common(folded=False, bits=limits.bits))
    return BudgetPlan(
        places=tuple(places),
        treatments=treatments,
        folded=False,
        bits=limits.bits,
        size_bytes=size,
        full_bytes=size,
        worst_db=0.0,
        mean_db=0.0,
        given_up_of=(),
    )


def _size_bytes(
    treatments: Sequence[Treatment], notes: Sequence[KeepableNote], common: Common
) -> int:
    return sum(note_bytes(notes[one.note], one.shape, one.rate, common) for one in treatments)


def _fits(plan: BudgetPlan, limits: BudgetLimits) -> bool:
    small = limits.most_bytes is None or plan.size_bytes <= limits.most_bytes
    return small and (limits.most_notes is None or len(plan.treatments) <= limits.most_notes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Problem:
    """What is left to choose once it is decided what is common to all."""

    common: Common
    ways: list[list[list[Way]]]
    chains: list[Chain]


def _cheapest(costs: Costs, notes: Sequence[KeepableNote], limits: BudgetLimits) -> Choice:
    coarse, fine = count_of(limits, COARSE_UNITS), count_of(limits, _units(costs, limits))
    shared = list(commons(notes, limits))
    enough = math.inf
    rough = [_problem(costs, notes, limits, common, coarse) for common in shared]
    for problem in rough:
        enough = min(enough, least_worst_db(problem.chains, coarse.most, enough) * _ROUNDING)
    count, problems = fine, [_problem(costs, notes, limits, common, fine) for common in shared]
    worst = [least_worst_db(problem.chains, fine.most, enough) for problem in problems]
    if math.isinf(min(worst)):  # sizes rounded up to other units may fit by a hair
        count, problems = coarse, rough
        worst = [least_worst_db(problem.chains, coarse.most, enough) for problem in problems]
    if math.isinf(min(worst)):
        raise UsageError(_too_small(limits))
    allowed = min(worst) * _ROUNDING
    best = [p for p, own in zip(problems, worst, strict=True) if own <= allowed]
    results = [least_sum_db(problem.chains, count.most, allowed) for problem in best]
    first = min(range(len(best)), key=lambda i: results[i][0])
    problem, (_, picks) = best[first], results[first]
    return chosen(costs, problem.ways, problem.common, picks, limits)


def _units(costs: Costs, limits: BudgetLimits) -> int:
    if limits.most_notes is not None:
        return UNITS_BESIDE_NOTES
    return max(LEAST_UNITS, UNITS_A_ROOT * sum(len(layer.roots) for layer in costs.layers))


def _problem(
    costs: Costs,
    notes: Sequence[KeepableNote],
    limits: BudgetLimits,
    common: Common,
    count: Count,
) -> _Problem:
    ways = [
        [ways_of(root, notes, common, limits) for root in layer.roots] for layer in costs.layers
    ]
    return _Problem(common=common, ways=ways, chains=chains_of(costs, ways, count))


def _too_small(limits: BudgetLimits) -> str:
    wanted = [] if limits.most_bytes is None else [size_text(limits.most_bytes)]
    wanted += [] if limits.most_notes is None else [f"{limits.most_notes} notes"]
    alone = "" if limits.interchangeable else " (no one-shot can stand in for another)"
    return (
        f"{' and '.join(wanted)} cannot hold anything that plays every key{alone}; allow more, "
        "or let notes be transposed farther."
    )
