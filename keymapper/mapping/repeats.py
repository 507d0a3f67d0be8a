"""Repeats that are the same sound once more, folded to one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from keymapper.mapping.placing import Place
from keymapper.model.keys import key_name
from keymapper.model.likeness import Likeness

MOST_COMPARED_TURNS = 12
WHOLE_SHARE = 0.8
"""Of the longest repeat: what is shorter was cut off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldedRepeat:
    """A repeat that plays no longer, and the one that plays in its place."""

    note: int
    same_as: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldedRepeats:
    """Places without repeats that are the same sound once more."""

    places: tuple[Place, ...]
    folded: tuple[FoldedRepeat, ...]
    remarks: tuple[str, ...]
    """In plain words; empty where nothing was folded."""


def repeats_to_compare(places: Sequence[Place]) -> tuple[tuple[int, int], ...]:
    """Return the pairs of notes that take turns, each as (earlier turn, later turn).

    Each with each; of more than 12 that take turns, each with the first alone.
    """
    return tuple((one.note, other.note) for turns in _turns(places) for one, other in _pairs(turns))


def _pairs(turns: Sequence[Place]) -> Iterable[tuple[Place, Place]]:
    if len(turns) <= MOST_COMPARED_TURNS:
        return combinations(turns, 2)
    return ((turns[0], other) for other in turns[1:])


def folded_repeats(
    places: Sequence[Place],
    likenesses: Mapping[tuple[int, int], Likeness],
    root_keys: Sequence[int],
    seconds: Sequence[float],
) -> FoldedRepeats:
    """Return the places with every repeat left out that is like another one that stays.

    The earlier one stays, but none that was cut off in place of a whole one.

    likenesses : of pairs as `repeats_to_compare` returns them; a missing pair is unlike.
    root_keys, seconds : of each note that places speak of: its root and how long it sounds.
    """
    folded: list[FoldedRepeat] = []
    turn_of: dict[Place, tuple[int, int]] = {}
    for turns in _turns(places):
        kept: list[Place] = []
        for place in _whole_first(turns, seconds):
            same = _same_as(place, kept, likenesses)
            if same is None:
                kept.append(place)
            else:
                folded.append(same)
        staying = [place for place in turns if place in kept]
        turn_of.update({place: (turn + 1, len(kept)) for turn, place in enumerate(staying)})
    return FoldedRepeats(
        places=tuple(
            replace(place, round_robin=turn_of[place][0], round_robins=turn_of[place][1])
            for place in places
            if place in turn_of
        ),
        folded=tuple(folded),
        remarks=_remarks(places, folded, root_keys),
    )


def _turns(places: Sequence[Place]) -> list[list[Place]]:
    """Group places that take turns, in the order of their turns."""
    groups: dict[tuple[object, ...], list[Place]] = defaultdict(list)
    for place in places:
        keys = (place.low_key, place.high_key, place.low_velocity, place.high_velocity)
        groups[place.trigger, *keys].append(place)
    return [sorted(group, key=lambda place: place.round_robin) for group in groups.values()]


def _whole_first(turns: Sequence[Place], seconds: Sequence[float]) -> list[Place]:
    whole = WHOLE_SHARE * max(seconds[place.note] for place in turns)
    return sorted(turns, key=lambda place: seconds[place.note] < whole)


def _same_as(
    place: Place,
    kept: Sequence[Place],
    likenesses: Mapping[tuple[int, int], Likeness],
) -> FoldedRepeat | None:
    for other in kept:
        pair, turned = (other.note, place.note), (place.note, other.note)
        likeness = likenesses.get(pair) or likenesses.get(turned)
        if likeness is not None and likeness.alike:
            return FoldedRepeat(note=place.note, same_as=other.note)
    return None


def _remarks(
    places: Sequence[Place], folded: Sequence[FoldedRepeat], root_keys: Sequence[int]
) -> tuple[str, ...]:
    if not folded:
        return ()
    repeats = sum(len(turns) for turns in _turns(places) if len(turns) > 1)
    keys = sorted({root_keys[one.note] for one in folded})
    all_of_them = keys == sorted({root_keys[p.note] for p in places if p.round_robins > 1})
    where = "every key" if all_of_them else " ".join(key_name(key) for key in keys)
    are = "is" if len(folded) == 1 else "are"
    return (
        f"{len(folded)} of {repeats} repeats {are} the same sound once more "
        f"and {are} left out ({where})",
    )
