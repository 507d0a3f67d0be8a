"""Lay notes over keys and velocities: one place a note, no gap and no overlap."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median_low

from keymapper.mapping.fade_curves import fade_of, faded_range
from keymapper.mapping.key_ranges import key_ranges
from keymapper.mapping.velocities import (
    LayerNote,
    velocity_fades,
    velocity_layers,
    velocity_ranges,
)
from keymapper.model.instrument import Trigger, VelocityFade
from keymapper.model.recipe import ZoneSettings

MOST_TURNS = 100
"""SFZ counts round robins up to here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceableNote(LayerNote):
    """What placing needs to know of a note."""

    is_release: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Keys × velocities × turn of one note, all ranges inclusive."""

    note: int
    """Index of the note among those given."""
    low_key: int
    high_key: int
    low_velocity: int
    high_velocity: int
    round_robin: int
    round_robins: int
    trigger: Trigger
    fade_below: int = 0
    """Velocities over which it fades in from the layer below."""
    fade_above: int = 0

    @property
    def velocities(self) -> tuple[int, int]:
        """Its own, lowest and highest."""
        return self.low_velocity, self.high_velocity

    @property
    def sounding_velocities(self) -> tuple[int, int]:
        """Those of its neighbours too, over which it fades."""
        return faded_range(self.velocities, self.fade_below, self.fade_above)

    @property
    def velocity_fade(self) -> VelocityFade | None:
        """How it fades; None where it does not."""
        return fade_of(self.velocities, self.fade_below, self.fade_above)


def placed_on_keys(notes: Sequence[PlaceableNote], settings: ZoneSettings) -> tuple[Place, ...]:
    """Return the places of the notes, sorted by trigger, layer, key and turn.

    Each velocity layer covers the keyboard by itself, so that a note missing from one layer is
    stood in for by its neighbour in the same layer. Notes of one layer with one root take turns;
    what is beyond the hundredth turn has no place.
    """
    places: list[Place] = []
    for trigger in ("attack", "release"):
        chosen = [i for i, n in enumerate(notes) if n.is_release == (trigger == "release")]
        if chosen:
            places += _placed(notes, chosen, trigger, settings)
    return tuple(places)


def _placed(
    notes: Sequence[PlaceableNote],
    chosen: Sequence[int],
    trigger: Trigger,
    settings: ZoneSettings,
) -> list[Place]:
    by_layer = _by_layer(notes, chosen)
    nominal = [_nominal_velocity(notes, members) for members in by_layer]
    ranges = velocity_ranges(nominal, settings.velocity_split)
    fades = [0, *velocity_fades(ranges, settings.velocity_fade), 0]
    places: list[Place] = []
    for layer, (velocities, members) in enumerate(zip(ranges, by_layer, strict=True)):
        for keys in key_ranges([notes[i].root_key for i in members], settings):
            turns = _turns(notes, [i for i in members if notes[i].root_key == keys.root_key])
            places += [
                Place(
                    note=note,
                    low_key=keys.low_key,
                    high_key=keys.high_key,
                    low_velocity=velocities.low_velocity,
                    high_velocity=velocities.high_velocity,
                    round_robin=turn + 1,
                    round_robins=len(turns),
                    trigger=trigger,
                    fade_below=fades[layer],
                    fade_above=fades[layer + 1],
                )
                for turn, note in enumerate(turns)
            ]
    return places


def _by_layer(notes: Sequence[PlaceableNote], chosen: Sequence[int]) -> list[list[int]]:
    layers = velocity_layers([notes[i] for i in chosen])
    members: dict[int, list[int]] = defaultdict(list)
    for note, layer in zip(chosen, layers, strict=True):
        members[layer].append(note)
    return [members[layer] for layer in sorted(members)]


def _nominal_velocity(notes: Sequence[PlaceableNote], members: Sequence[int]) -> int | None:
    known = {velocity for i in members if (velocity := notes[i].velocity) is not None}
    return median_low(known) if known else None


def _turns(notes: Sequence[PlaceableNote], group: Sequence[int]) -> list[int]:
    turns = sorted(group, key=lambda i: (notes[i].round_robin or 0, i))
    return turns[:MOST_TURNS]


def placed_as_one_shots(
    notes: Sequence[PlaceableNote], settings: ZoneSettings
) -> tuple[Place, ...]:
    """Return places on one key each, by key; hits of one key make its own layers and turns."""
    by_key: dict[int, list[int]] = defaultdict(list)
    for index, note in enumerate(notes):
        by_key[note.root_key].append(index)
    one_key = replace(settings, reach_below=0, reach_above=0)
    placed: list[Place] = []
    for _, members in sorted(by_key.items()):
        placed += _placed(notes, members, "attack", one_key)
    return tuple(placed)
