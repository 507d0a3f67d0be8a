"""The instrument in full, as layers of roots with a common keyboard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.mapping.budget.terms import KeepableNote
from keymapper.mapping.placing import Place
from keymapper.model.hearing import difference_db, excitations
from keymapper.model.keys import HIGHEST_KEY

KEYS = HIGHEST_KEY + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Root:
    """Notes that take turns on one root, the one most like the others first."""

    root_key: int
    places: tuple[Place, ...]
    turn_distance_db: float
    """How far the turns differ from each other: what is lost with all but one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """Everything that plays at the same velocities by the same trigger."""

    family: int
    """Layers of one family can play each other's velocities."""
    low_velocity: int
    high_velocity: int
    roots: tuple[Root, ...]
    """By rising key."""
    owners: np.ndarray
    """Index of the root that plays each key, -1 where none does; shape (KEYS,)."""
    moved: np.ndarray
    """Excitation of each root at each key, shape (roots, KEYS, filters)."""
    full: np.ndarray
    """What each key sounds like, shape (KEYS, filters)."""

    @property
    def played(self) -> np.ndarray:
        """Keys that sound, rising."""
        return np.flatnonzero(self.owners >= 0)

    @property
    def root_keys(self) -> np.ndarray:
        """Keys of the roots, rising."""
        return np.array([root.root_key for root in self.roots])


def layers_of(
    places: Sequence[Place], root_keys: Sequence[int], notes: Sequence[KeepableNote]
) -> list[Layer]:
    """Return the layers, those that can stand in for each other together, from soft to loud.

    root_keys, notes : of each note that places speak of.
    """
    families: dict[tuple[int, str], list[Place]] = {}
    for place in places:
        families.setdefault((notes[place.note].stack, place.trigger), []).append(place)
    result = []
    for family, (_, own) in enumerate(sorted(families.items())):
        for velocities in sorted({place.velocities for place in own}):
            members = [place for place in own if place.velocities == velocities]
            result.append(_layer(family, members, root_keys, notes))
    return result


def _layer(
    family: int,
    places: Sequence[Place],
    root_keys: Sequence[int],
    notes: Sequence[KeepableNote],
) -> Layer:
    by_root: dict[tuple[int, int], list[Place]] = {}
    for place in places:
        by_root.setdefault((root_keys[place.note], place.low_key), []).append(place)
    roots = tuple(_root(key, members, notes) for (key, _), members in sorted(by_root.items()))
    owners = np.full(KEYS, -1)
    for index, root in enumerate(roots):
        owners[root.places[0].low_key : root.places[0].high_key + 1] = index
    moved = np.stack(
        [
            excitations([notes[root.places[0].note].tone], np.arange(KEYS) - root.root_key)[0]
            for root in roots
        ]
    )
    return Layer(
        family=family,
        low_velocity=places[0].low_velocity,
        high_velocity=places[0].high_velocity,
        roots=roots,
        owners=owners,
        moved=moved,
        full=moved[owners, np.arange(KEYS)],
    )


def _root(key: int, members: Sequence[Place], notes: Sequence[KeepableNote]) -> Root:
    """Put the turn first that is most like all others, so that it can stand for them."""
    here = excitations([notes[place.note].tone for place in members], np.array([0]))[:, 0]
    distances = difference_db(here[:, None], here[None, :])
    order = np.argsort(distances.sum(axis=1).round(6), kind="stable")
    count = len(members)
    spread = np.sqrt(float((distances**2).sum()) / max(1, count * (count - 1)))
    return Root(
        root_key=key, places=tuple(members[i] for i in order), turn_distance_db=float(spread)
    )
