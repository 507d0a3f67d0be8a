"""Velocities of a layer that reaches fewer keys than the others: its neighbours play them there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from statistics import median

from keymapper.mapping.dynamics import (
    LEAST_GAIN_DB,
    VELOCITY_STEP,
    gain_between_db,
    square_law_db,
)
from keymapper.mapping.fade_curves import faded_range
from keymapper.mapping.key_ranges import share_keys
from keymapper.mapping.placing import Place
from keymapper.mapping.set_notes import Area, PlacedNote
from keymapper.model.instrument import VelocityGain
from keymapper.model.keys import HIGHEST_VELOCITY, LOWEST_VELOCITY, key_name

Layers = dict[int, list[int]]
"""Indices of placed notes by the lowest velocity of their layer, from soft to loud."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Set:
    """The notes of one trigger among all that are placed."""

    placed: Sequence[PlacedNote]
    levels_dbfs: Sequence[float]
    """Of each placed note at the velocity it was recorded at."""
    layers: Layers


def filled(placed: Sequence[PlacedNote], levels_dbfs: Sequence[float]) -> tuple[PlacedNote, ...]:
    """Return placed notes that play, where another layer has none, that layer's velocities too.

    At a key which a layer does not reach, the next softer layer goes on, or the next louder one
    begins sooner, so that no key that sounds at all is silent at some velocities. Level goes on
    along a straight line (in dB) to the next layer, and as that of the next layer where they
    overlap or that does not reach the key, or by the square law of velocity.

    levels_dbfs : of each placed note at the velocity it was recorded at.
    """
    result = list(placed)
    for trigger in ("attack", "release"):
        layers: Layers = defaultdict(list)
        for index, note in enumerate(placed):
            if note.place.trigger == trigger:
                layers[note.place.low_velocity].append(index)
        notes = _Set(placed=placed, levels_dbfs=levels_dbfs, layers=layers)
        for index in [i for low in layers for i in layers[low]]:
            result[index] = _filled(index, notes)
    return tuple(result)


def unreached(placed: Sequence[PlacedNote]) -> list[str]:
    """Say at which keys a velocity layer has no note, though others have."""
    found = []
    attacks = [note.place for note in placed if note.place.trigger == "attack"]
    played = _keys(attacks)
    for low, high in sorted({place.velocities for place in attacks}):
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


def _filled(index: int, notes: _Set) -> PlacedNote:
    note = notes.placed[index]
    place = note.place
    by_key = [_area(index, key, notes) for key in range(place.low_key, place.high_key + 1)]
    areas: list[Area] = []
    for _, run in groupby(by_key, key=lambda one: replace(one, low_key=0, high_key=0)):
        here = list(run)
        areas.append(replace(here[0], high_key=here[-1].high_key))
    first = areas[0]
    is_as_placed = place.velocities == (first.low_velocity, first.high_velocity)
    return note if len(areas) == 1 and is_as_placed else replace(note, areas=tuple(areas))


def _area(index: int, key: int, notes: _Set) -> Area:
    """Return what a note plays at one of its keys."""
    placed, layers = notes.placed, notes.layers
    note = placed[index]
    here = {
        low: [i for i in layers[low] if placed[i].place.low_key <= key <= placed[i].place.high_key]
        for low in sorted(layers)
    }
    present = [low for low in here if here[low]]
    own = note.place.low_velocity
    louder = next((low for low in present if low > own), None)
    is_softest = own == present[0]
    low_velocity = LOWEST_VELOCITY if is_softest else own
    high_velocity = HIGHEST_VELOCITY if louder is None else louder - 1
    fade_below = 0 if is_softest else note.place.fade_below
    fade_above = 0 if louder is None else placed[here[louder][0]].place.fade_below
    gains = note.velocity_gains
    softer = [low for low in layers if low < own and is_softest]
    below = _as_if_here(index, softer, notes)
    louder_elsewhere = [low for low in layers if low > own and louder is None]
    above = _as_if_here(index, louder_elsewhere, notes)
    if gains and louder is not None and high_velocity > note.place.high_velocity:
        gains = _up_to(gains, note.place.high_velocity)
        over = [notes.levels_dbfs[i] - notes.levels_dbfs[index] for i in here[louder]]
        above = (_next_layer([placed[i] for i in here[louder]], over, begins=True),)
    sounding = faded_range((low_velocity, high_velocity), fade_below, fade_above)
    return Area(
        low_key=key,
        high_key=key,
        low_velocity=low_velocity,
        high_velocity=high_velocity,
        fade_below=fade_below,
        fade_above=fade_above,
        velocity_gains=_gains(gains, sounding, below, above),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _NextLayer:
    """The notes of the layer that a note goes on to beyond its own velocities."""

    over_db: tuple[float, ...]
    """Of each, its level over that of the note."""
    gains: tuple[tuple[VelocityGain, ...], ...]
    edge: int
    """The velocity that it sounds from, of a softer layer up to."""

    def level_db(self, velocity: int) -> float:
        """Return its mean level at a velocity, over that of the note."""
        levels = [
            over + gain_between_db(gains, velocity)
            for over, gains in zip(self.over_db, self.gains, strict=True)
        ]
        return sum(levels) / len(levels)


def _next_layer(
    notes: Sequence[PlacedNote], over_db: Sequence[float], *, begins: bool
) -> _NextLayer:
    gains = tuple(note.velocity_gains for note in notes)
    edges = [one[0].velocity if begins else one[-1].velocity for one in gains]
    return _NextLayer(
        over_db=tuple(over_db), gains=gains, edge=min(edges) if begins else max(edges)
    )


def _as_if_here(index: int, missing: Sequence[int], among: _Set) -> tuple[_NextLayer, ...]:
    """Return layers, nearest first, that do not reach a note's keys as if they did.

    They lie as far from its own layer as on the keys that have both; a layer that never meets its
    own is left out, and so are all where levels do not follow velocity.

    missing : the lowest velocities of the layers, all louder or all softer than the note's own.
    """
    placed, levels_dbfs, layers = among.placed, among.levels_dbfs, among.layers
    own = placed[index].place.low_velocity
    found = []
    for low in sorted(missing, key=lambda low: abs(low - own)):
        steps = [
            levels_dbfs[other] - levels_dbfs[one]
            for one in layers[own]
            for other in layers[low]
            if share_keys(placed[one].place, placed[other].place)
        ]
        notes = [placed[i] for i in layers[low]]
        if steps and all(note.velocity_gains for note in notes):
            found.append(_next_layer(notes, [median(steps)] * len(notes), begins=low > own))
    return tuple(found)


def _gains(
    own: tuple[VelocityGain, ...],
    sounding: tuple[int, int],
    softer: Sequence[_NextLayer],
    louder: Sequence[_NextLayer],
) -> tuple[VelocityGain, ...]:
    """Return a note's own gains over velocity, drawn out to the velocities it sounds at."""
    if not own:
        return ()
    first, last = own[0], own[-1]
    below = {*range(sounding[0], first.velocity, VELOCITY_STEP)}
    below |= _points(softer) & {*range(sounding[0], first.velocity)}
    above = {*range(sounding[1], last.velocity, -VELOCITY_STEP)}
    above |= _points(louder) & {*range(last.velocity + 1, sounding[1])}
    return (
        *(VelocityGain(velocity=v, gain_db=_beyond_db(first, v, softer)) for v in sorted(below)),
        *own,
        *(VelocityGain(velocity=v, gain_db=_beyond_db(last, v, louder)) for v in sorted(above)),
    )


def _points(layers: Sequence[_NextLayer]) -> set[int]:
    """Return the velocities at which the courses of layers bend."""
    return {gain.velocity for layer in layers for gains in layer.gains for gain in gains}


def _up_to(gains: tuple[VelocityGain, ...], velocity: int) -> tuple[VelocityGain, ...]:
    """Return gains that end at a velocity: what lies beyond leads to a layer that is not there."""
    last = VelocityGain(velocity=velocity, gain_db=gain_between_db(gains, velocity))
    return (*(gain for gain in gains if gain.velocity < velocity), last)


def _beyond_db(known: VelocityGain, velocity: int, layers: Sequence[_NextLayer]) -> float:
    """Return the gain beyond a known one: along a straight line to the next layer, then as layers.

    layers : nearest first; by the square law of velocity where there are none.
    """
    if not layers:
        by_law = known.gain_db + square_law_db(velocity, known.velocity)
        return max(LEAST_GAIN_DB, by_law)
    far = abs(velocity - known.velocity)
    reached = [layer for layer in layers if abs(layer.edge - known.velocity) <= far]
    if reached:
        return max(LEAST_GAIN_DB, reached[-1].level_db(velocity))
    way = far / abs(layers[0].edge - known.velocity)
    return known.gain_db + way * (layers[0].level_db(layers[0].edge) - known.gain_db)
