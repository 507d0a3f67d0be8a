"""Velocities of a layer that reaches fewer keys than the others: its neighbours play them there."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from keymapper.mapping.dynamics import LEAST_GAIN_DB, VELOCITY_STEP
from keymapper.mapping.placing import Place
from keymapper.mapping.set_notes import Area, PlacedNote
from keymapper.model.instrument import VelocityGain
from keymapper.model.keys import key_name

Layers = dict[int, list[int]]
"""Indices of placed notes by the lowest velocity of their layer, from soft to loud."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reach:
    """The velocities a note plays at one key, and the level the next layer begins at there."""

    low_velocity: int
    high_velocity: int
    next_dbfs: float | None


def filled(placed: Sequence[PlacedNote], levels_dbfs: Sequence[float]) -> tuple[PlacedNote, ...]:
    """Return placed notes that play, where another layer has none, that layer's velocities too.

    At a key which a layer does not reach, the next softer layer goes on, or the next louder one
    begins sooner, so that no key that sounds at all is silent at some velocities. Level goes on
    along a straight line (in dB) to the next layer, or by the square law of velocity.

    levels_dbfs : of each placed note at the velocity it was recorded at.
    """
    result = list(placed)
    for trigger in ("attack", "release"):
        layers: Layers = defaultdict(list)
        for index, note in enumerate(placed):
            if note.place.trigger == trigger:
                layers[note.place.low_velocity].append(index)
        for index in [i for low in layers for i in layers[low]]:
            result[index] = _filled(index, placed, levels_dbfs, layers)
    return tuple(result)


def by_area(placed: PlacedNote) -> list[PlacedNote]:
    """Return a note once for each area it plays, as if that were its place."""
    if not placed.areas:
        return [placed]
    return [
        replace(
            placed,
            areas=(),
            place=replace(
                placed.place,
                low_key=area.low_key,
                high_key=area.high_key,
                low_velocity=area.low_velocity,
                high_velocity=area.high_velocity,
            ),
            velocity_gains=area.velocity_gains,
        )
        for area in placed.areas
    ]


def unreached(placed: Sequence[PlacedNote]) -> list[str]:
    """Say at which keys a velocity layer has no note, though others have."""
    found = []
    attacks = [note.place for note in placed if note.place.trigger == "attack"]
    played = _keys(attacks)
    for low, high in sorted({(place.low_velocity, place.high_velocity) for place in attacks}):
        own = _keys([place for place in attacks if place.low_velocity == low])
        if played - own:
            found.append(
                f"velocities {low} – {high} have no note that reaches {_named(played - own)}: "
                "the next layer plays there"
            )
    return found


def _keys(places: Sequence[Place]) -> set[int]:
    return {key for place in places for key in range(place.low_key, place.high_key + 1)}


def _named(keys: set[int]) -> str:
    """Return keys as runs: "C1 – B2, C#5"."""
    lows = [key for key in sorted(keys) if key - 1 not in keys]
    highs = [key for key in sorted(keys) if key + 1 not in keys]
    return ", ".join(
        key_name(low) if low == high else f"{key_name(low)} – {key_name(high)}"
        for low, high in zip(lows, highs, strict=True)
    )


def _filled(
    index: int, placed: Sequence[PlacedNote], levels_dbfs: Sequence[float], layers: Layers
) -> PlacedNote:
    note = placed[index]
    keys = range(note.place.low_key, note.place.high_key + 1)
    reaches = [_reach(note, key, placed, levels_dbfs, layers) for key in keys]
    areas: list[Area] = []
    for reach, run in groupby(zip(keys, reaches, strict=True), key=lambda one: one[1]):
        here = [key for key, _ in run]
        areas.append(
            Area(
                low_key=here[0],
                high_key=here[-1],
                low_velocity=reach.low_velocity,
                high_velocity=reach.high_velocity,
                velocity_gains=_gains(note, reach, levels_dbfs[index]),
            )
        )
    place = note.place
    alone = len(areas) == 1 and (areas[0].low_velocity, areas[0].high_velocity) == (
        place.low_velocity,
        place.high_velocity,
    )
    return note if alone else replace(note, areas=tuple(areas))


def _reach(
    note: PlacedNote,
    key: int,
    placed: Sequence[PlacedNote],
    levels_dbfs: Sequence[float],
    layers: Layers,
) -> _Reach:
    here = {
        low: [i for i in layers[low] if placed[i].place.low_key <= key <= placed[i].place.high_key]
        for low in sorted(layers)
    }
    present = [low for low in here if here[low]]
    own = note.place.low_velocity
    louder = [low for low in present if low > own]
    begins = [
        levels_dbfs[i] + (gains[0].gain_db if (gains := placed[i].velocity_gains) else 0.0)
        for i in (here[louder[0]] if louder else [])
    ]
    goes_on = bool(louder) and louder[0] - 1 > note.place.high_velocity
    return _Reach(
        low_velocity=1 if own == present[0] else own,
        high_velocity=louder[0] - 1 if louder else 127,
        next_dbfs=sum(begins) / len(begins) if goes_on else None,
    )


def _gains(note: PlacedNote, reach: _Reach, level_dbfs: float) -> tuple[VelocityGain, ...]:
    """Return the note's own gains over velocity, drawn out to the velocities it reaches."""
    own = note.velocity_gains
    if not own:
        return ()
    first, last = own[0], own[-1]
    below = range(reach.low_velocity, first.velocity, VELOCITY_STEP)
    above = sorted({*range(reach.high_velocity, last.velocity, -VELOCITY_STEP)})
    way_db = 0.0 if reach.next_dbfs is None else reach.next_dbfs - level_dbfs - last.gain_db
    way = reach.high_velocity + 1 - last.velocity
    return (
        *(VelocityGain(velocity=v, gain_db=_by_square_law(first, v)) for v in below),
        *own,
        *(
            VelocityGain(
                velocity=v,
                gain_db=_by_square_law(last, v)
                if reach.next_dbfs is None
                else last.gain_db + way_db * (v - last.velocity) / way,
            )
            for v in above
        ),
    )


def _by_square_law(known: VelocityGain, velocity: int) -> float:
    return max(LEAST_GAIN_DB, known.gain_db + 40.0 * math.log10(velocity / known.velocity))
