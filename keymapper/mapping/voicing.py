"""How loud each placed note plays, over keys and velocities."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from statistics import median_low

from keymapper.mapping.dynamics import DynamicZone, velocity_gains
from keymapper.mapping.filling import filled
from keymapper.mapping.levels import LevelNote, drum_gains_db, level_gains_db
from keymapper.mapping.placing import Place
from keymapper.mapping.set_notes import DecidedNote, PlacedNote, SetNote
from keymapper.model.instrument import ResolvedLayout, VelocityGain, VelocityTracking
from keymapper.model.recipe import LevelSettings, Recipe

Voiced = tuple[DecidedNote, Place]


def voiced(
    notes: Sequence[SetNote],
    decided: Sequence[DecidedNote],
    places: Sequence[Place],
    recipe: Recipe,
    layout: ResolvedLayout,
    gains_db: Sequence[float] | None = None,
) -> tuple[PlacedNote, ...]:
    """Return the placed notes with their gains and velocity curves.

    places : refer to `decided` by index; one placed note comes of each.
    gains_db : of each place, where they are known from a set with more notes.
    """
    pairs = [(decided[place.note], place) for place in places]
    recorded = [notes[one.note].measurement.levels.body_dbfs for one, _ in pairs]
    gains = gains_db
    if gains is None:
        own = [_own_gain_db(notes[one.note]) for one, _ in pairs]
        even = _even_gains_db(pairs, recorded, recipe.levels, layout)
        gains = [gain + extra for gain, extra in zip(even, own, strict=True)]
    levels = [level + gain for level, gain in zip(recorded, gains, strict=True)]
    curves: list[tuple[VelocityGain, ...]] = [()] * len(pairs)
    trackings: list[VelocityTracking] = ["square"] * len(pairs)
    for members in _instruments(pairs, layout):
        some = [pairs[i] for i in members]
        found = _curves(some, [levels[i] for i in members], recipe)
        for i, curve in zip(members, found, strict=True):
            curves[i] = curve
            trackings[i] = _tracking(curve, some, recipe.levels)
    placed = tuple(
        PlacedNote(
            note=one.note,
            decision=one.decision,
            place=place,
            gain_db=gain,
            velocity_gains=curve,
            velocity_tracking=tracking,
            is_reversed=one.is_reversed,
            choke_group=one.choke_group,
        )
        for (one, place), gain, curve, tracking in zip(pairs, gains, curves, trackings, strict=True)
    )
    return filled(placed, levels) if layout == "keys" else placed


def _instruments(pairs: Sequence[Voiced], layout: ResolvedLayout) -> list[list[int]]:
    """Return what has its layers in common: all notes on keys, of one-shots those of each key."""
    if layout == "keys":
        return [list(range(len(pairs)))]
    by_key: dict[int, list[int]] = defaultdict(list)
    for index, (_, place) in enumerate(pairs):
        by_key[place.low_key].append(index)
    return list(by_key.values())


def _own_gain_db(note: SetNote) -> float:
    return 0.0 if note.correction is None else note.correction.gain_db


def _even_gains_db(
    pairs: Sequence[Voiced],
    levels_db: Sequence[float],
    settings: LevelSettings,
    layout: ResolvedLayout,
) -> list[float]:
    levels = [
        LevelNote(
            key=one.decision.root_key,
            level_db=level,
            group=(place.trigger, place.low_velocity),
        )
        for (one, place), level in zip(pairs, levels_db, strict=True)
    ]
    even = level_gains_db if layout == "keys" else drum_gains_db
    return even(levels, settings.keys)


def _curves(
    pairs: Sequence[Voiced], levels_db: Sequence[float], recipe: Recipe
) -> list[tuple[VelocityGain, ...]]:
    """Return the level over velocity of what sounds when a key goes down."""
    curves: list[tuple[VelocityGain, ...]] = [()] * len(pairs)
    if recipe.levels.velocities == "recorded":
        return curves
    attacks = [i for i, (_, place) in enumerate(pairs) if place.trigger == "attack"]
    nominal = _nominal_velocities([pairs[i] for i in attacks])
    zones = [_dynamic_zone(nominal, levels_db[i], pairs[i][1]) for i in attacks]
    found = velocity_gains(zones)
    for i, curve in zip(attacks, found, strict=True):
        curves[i] = curve
    return curves


def _nominal_velocities(pairs: Sequence[Voiced]) -> dict[int, int]:
    """Return the velocity each layer stands for, by its lowest; unknown ones are left out.

    One for all its notes, which are even: what was played by hand differs from key to key.
    """
    known: dict[int, list[int]] = defaultdict(list)
    for one, place in pairs:
        if one.decision.velocity is not None:
            known[place.low_velocity].append(one.decision.velocity)
    return {low: median_low(velocities) for low, velocities in known.items()}


def _dynamic_zone(nominal: Mapping[int, int], level_db: float, place: Place) -> DynamicZone:
    middle = (place.low_velocity + place.high_velocity) // 2
    velocity = nominal.get(place.low_velocity, middle)
    return DynamicZone(
        low_key=place.low_key,
        high_key=place.high_key,
        low_velocity=place.low_velocity,
        high_velocity=place.high_velocity,
        nominal_velocity=max(place.low_velocity, min(place.high_velocity, velocity)),
        level_db=level_db,
        fade_below=place.fade_below,
        fade_above=place.fade_above,
    )


def _tracking(
    curve: tuple[VelocityGain, ...], pairs: Sequence[Voiced], settings: LevelSettings
) -> VelocityTracking:
    if curve:
        return "curve"
    layers = {place.low_velocity for _, place in pairs if place.trigger == "attack"}
    return "none" if len(layers) > 1 and settings.velocities == "recorded" else "square"
