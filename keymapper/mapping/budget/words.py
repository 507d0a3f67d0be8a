"""What a budget gave up, in plain words."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from keymapper.mapping.budget.chains import Costs
from keymapper.mapping.budget.choice import Choice, KeptRoot
from keymapper.mapping.budget.terms import BudgetLimits, KeepableNote
from keymapper.model.keys import key_name


def size_text(size_bytes: int) -> str:
    """Return a size in MB (of 1 000 000 bytes), or in kB where that reads better."""
    if size_bytes < 1_000_000:
        return f"{size_bytes / 1000:.0f} kB"
    return f"{size_bytes / 1_000_000:.1f} MB"


def given_up(
    choice: Choice, costs: Costs, notes: Sequence[KeepableNote], limits: BudgetLimits
) -> tuple[str, ...]:
    """Return a line for each kind of thing that was given up, the gravest first.

    choice : of one stack.
    """
    return (
        *_layers(choice, costs),
        *_roots(choice, costs),
        *_turns(choice),
        *_commons(choice, limits),
        *_shapes(choice, notes),
        *_rates(choice, notes),
        f"the key that differs most differs by {choice.worst_db:.1f} dB, "
        f"the mean of all keys is {choice.mean_db(costs):.1f} dB",
    )


def _layers(choice: Choice, costs: Costs) -> list[str]:
    played = {layer: one.layer for one in choice.roots for layer in one.layers_played}
    return [
        f"velocity layer {_velocities(costs, layer)} is left out: "
        f"the layer {_velocities(costs, by)} plays in its place"
        for layer, by in sorted(played.items())
        if layer != by
    ]


def _velocities(costs: Costs, layer: int) -> str:
    one = costs.layers[layer]
    return f"{one.low_velocity}–{one.high_velocity}"


def _roots(choice: Choice, costs: Costs) -> list[str]:
    """Name the roots that are gone from layers that stay, or what is left where that is shorter."""
    kept: dict[int, list[int]] = defaultdict(list)
    for one in choice.roots:
        kept[one.layer].append(one.root.root_key)
    several = len({layer for one in choice.roots for layer in one.layers_played}) > 1
    lines = []
    for layer, keys in sorted(kept.items()):
        recorded = [root.root_key for root in costs.layers[layer].roots]
        gone = [key for key in recorded if key not in keys]
        if gone:
            where = f" of velocities {_velocities(costs, layer)}" if several else ""
            which = _keys(gone) if len(gone) <= len(keys) else f"all but {_keys(keys)}"
            lines.append(
                f"{len(gone)} of {len(recorded)} recorded keys{where} are left out "
                f"({which}): their neighbours play in their place"
            )
    return lines


def _turns(choice: Choice) -> list[str]:
    fewer = [one for one in choice.roots if one.way.turns < len(one.root.places)]
    lost = sum(len(one.root.places) - one.way.turns for one in fewer)
    if not lost:
        return []
    return [f"{_counted(lost, 'repeat')} left out at {_of(fewer, choice)}"]


def _commons(choice: Choice, limits: BudgetLimits) -> list[str]:
    lines = []
    if choice.common.folded:
        lines.append("all samples are folded to one channel")
    if choice.common.bits < limits.bits:
        lines.append(f"samples have {choice.common.bits} bits in place of {limits.bits}")
    return lines


def _shapes(choice: Choice, notes: Sequence[KeepableNote]) -> list[str]:
    by_about: dict[str, list[KeptRoot]] = defaultdict(list)
    for one in choice.roots:
        about = notes[one.kept[0].note].shapes[one.way.shape].about
        if one.way.shape:
            by_about[about].append(one)
    return [f"{about} at {_of(roots, choice)}" for about, roots in sorted(by_about.items())]


def _rates(choice: Choice, notes: Sequence[KeepableNote]) -> list[str]:
    by_rate: dict[int, list[KeptRoot]] = defaultdict(list)
    for one in choice.roots:
        if one.way.rate < notes[one.kept[0].note].rate:
            by_rate[one.way.rate].append(one)
    return [f"sample rate {rate} Hz at {_of(by_rate[rate], choice)}" for rate in sorted(by_rate)]


def _of(roots: Sequence[KeptRoot], choice: Choice) -> str:
    """Name roots, or say that it is all of them."""
    if len(roots) == len(choice.roots):
        return "every kept key"
    return _keys(one.root.root_key for one in roots)


def _keys(keys: Iterable[int]) -> str:
    return " ".join(key_name(key) for key in sorted(set(keys)))


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun} is" if count == 1 else f"{count} {noun}s are"
