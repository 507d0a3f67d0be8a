"""From measured notes and their names to decisions and places: the set seen as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from keymapper.mapping.deciding import Evidence, decided_note, doubts_of_key
from keymapper.mapping.dynamics import DynamicZone, velocity_gains
from keymapper.mapping.levels import LevelNote, level_gains_db
from keymapper.mapping.placing import (
    Place,
    PlaceableNote,
    placed_as_one_shots,
    placed_on_keys,
)
from keymapper.model.instrument import (
    Decision,
    Doubt,
    Measurement,
    NoteHints,
    ResolvedLayout,
    SkippedFile,
    VelocityGain,
    VelocityTracking,
)
from keymapper.model.keys import HIGHEST_KEY, key_number
from keymapper.model.recipe import NoteCorrection, Recipe

SILENT_PEAK_DBFS = -80.0
SHORTEST_FRAMES = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class SetNote:
    """One note of the set with all that is known before the set is looked at."""

    file: str
    measurement: Measurement
    hints: NoteHints
    correction: NoteCorrection | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedNote:
    """A note that plays."""

    note: int
    """Index among the notes given."""
    decision: Decision
    place: Place
    gain_db: float
    """Of its zone, beside the gain common to all."""
    velocity_gains: tuple[VelocityGain, ...]
    velocity_tracking: VelocityTracking


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """The set, decided and placed."""

    layout: ResolvedLayout
    placed: tuple[PlacedNote, ...]
    doubts: tuple[Doubt, ...]
    skipped: tuple[SkippedFile, ...]


def assembled(notes: Sequence[SetNote], layout: ResolvedLayout, recipe: Recipe) -> Assembly:
    """Return which note plays where, and what is doubtful."""
    if layout == "one-shots":
        return _as_one_shots(notes, recipe)
    return _on_keys(notes, recipe)


def unusable_reason(measurement: Measurement) -> str | None:
    """Return why a note can make no zone: silent, or a mere tick; None where it can."""
    course, levels = measurement.course, measurement.levels
    if levels.peak_dbfs < SILENT_PEAK_DBFS:
        return f"is silent (peak under {SILENT_PEAK_DBFS:.0f} dBFS)"
    sounding = course.end_frame - course.onset_frame
    return f"sounds for only {sounding} frames" if sounding < SHORTEST_FRAMES else None


def resolved_layout(measurements: Sequence[Measurement], recipe: Recipe) -> ResolvedLayout:
    """Return the layout asked for; by itself, one-shots where most sounds decay without a pitch.

    A root in the recipe speaks for a keyboard, as a sure pitch does.
    """
    if recipe.layout != "auto":
        return recipe.layout
    keyed = sum(one.course.sustains or not one.pitch.doubtful for one in measurements)
    keyed += sum(correction.root is not None for correction in recipe.note)
    return "one-shots" if 2 * keyed < len(measurements) else "keys"


def _on_keys(notes: Sequence[SetNote], recipe: Recipe) -> Assembly:
    decided: list[tuple[int, Decision]] = []
    doubts: list[Doubt] = []
    skipped: list[SkippedFile] = []
    for index, note in enumerate(notes):
        evidence = Evidence(
            file=note.file,
            pitch=note.measurement.pitch,
            hints=note.hints,
            correction=note.correction,
        )
        decision = decided_note(evidence, recipe.reference_hz)
        if decision is None:
            reason = "no pitch in its sound and no key in its name; give its root in the recipe"
            skipped.append(SkippedFile(file=note.file, reason=reason))
        else:
            decided.append((index, decision))
            doubts += doubts_of_key(evidence, decision)
    places = placed_on_keys([_placeable(notes[i], d) for i, d in decided], recipe.zones)
    return Assembly(
        layout="keys",
        placed=_placed(notes, decided, places, recipe),
        doubts=tuple(doubts),
        skipped=tuple(skipped),
    )


def _placeable(note: SetNote, decision: Decision) -> PlaceableNote:
    return PlaceableNote(
        root_key=decision.root_key,
        velocity=decision.velocity,
        round_robin=decision.round_robin,
        is_release=decision.is_release,
        level_db=note.measurement.levels.body_dbfs,
    )


def _as_one_shots(notes: Sequence[SetNote], recipe: Recipe) -> Assembly:
    keys = _one_shot_keys(notes, recipe)
    decided = [
        (index, _one_shot_decision(notes[index], key))
        for index, key in enumerate(keys)
        if key <= HIGHEST_KEY
    ]
    places = placed_as_one_shots([decision.root_key for _, decision in decided])
    reason = "no key is left for it; lower one_shot_base_key in the recipe"
    return Assembly(
        layout="one-shots",
        placed=_placed(notes, decided, places, recipe),
        doubts=(),
        skipped=tuple(
            SkippedFile(file=note.file, reason=reason)
            for note, key in zip(notes, keys, strict=True)
            if key > HIGHEST_KEY
        ),
    )


def _one_shot_keys(notes: Sequence[SetNote], recipe: Recipe) -> list[int]:
    """Keys from recipe or names where every note has one of its own, else one after the other."""
    named = [_stated_key(note) for note in notes]
    known = [key for key in named if key is not None]
    if len(set(known)) == len(notes):
        return known
    return list(range(recipe.one_shot_base_key, recipe.one_shot_base_key + len(notes)))


def _stated_key(note: SetNote) -> int | None:
    if note.correction is not None and note.correction.root is not None:
        root = note.correction.root
        return root if isinstance(root, int) else key_number(root)
    return note.hints.key


def _one_shot_decision(note: SetNote, key: int) -> Decision:
    return Decision(
        root_key=key,
        tuning_cents=0.0,
        velocity=None,
        round_robin=None,
        is_release=False,
        decided_by="name" if key == _stated_key(note) else "order",
    )


def _placed(
    notes: Sequence[SetNote],
    decided: Sequence[tuple[int, Decision]],
    places: Sequence[Place],
    recipe: Recipe,
) -> tuple[PlacedNote, ...]:
    chosen = [decided[place.note] for place in places]
    gains = _gains_db([notes[i] for i, _ in chosen], [d for _, d in chosen], places, recipe)
    levels = [
        notes[i].measurement.levels.body_dbfs + gain
        for (i, _), gain in zip(chosen, gains, strict=True)
    ]
    curves = _velocity_gains([d for _, d in chosen], levels, places, recipe)
    layered = len({(place.trigger, place.low_velocity) for place in places}) > 1
    return tuple(
        PlacedNote(
            note=index,
            decision=decision,
            place=place,
            gain_db=gain,
            velocity_gains=curve,
            velocity_tracking=_tracking(curve, layered, recipe),
        )
        for (index, decision), place, gain, curve in zip(chosen, places, gains, curves, strict=True)
    )


def _gains_db(
    notes: Sequence[SetNote],
    decisions: Sequence[Decision],
    places: Sequence[Place],
    recipe: Recipe,
) -> list[float]:
    even = level_gains_db(
        [
            LevelNote(
                key=decision.root_key,
                level_db=note.measurement.levels.body_dbfs,
                group=(place.trigger, place.low_velocity),
            )
            for note, decision, place in zip(notes, decisions, places, strict=True)
        ],
        recipe.levels.keys,
    )
    own = [0.0 if note.correction is None else note.correction.gain_db for note in notes]
    return [gain + extra for gain, extra in zip(even, own, strict=True)]


def _velocity_gains(
    decisions: Sequence[Decision],
    levels_db: Sequence[float],
    places: Sequence[Place],
    recipe: Recipe,
) -> list[tuple[VelocityGain, ...]]:
    """Return the level over velocity of what sounds when a key goes down."""
    curves: list[tuple[VelocityGain, ...]] = [()] * len(places)
    attacks = [i for i, place in enumerate(places) if place.trigger == "attack"]
    if recipe.levels.velocities == "continuous":
        zones = [_dynamic_zone(decisions[i], levels_db[i], places[i]) for i in attacks]
        for i, curve in zip(attacks, velocity_gains(zones), strict=True):
            curves[i] = curve
    return curves


def _dynamic_zone(decision: Decision, level_db: float, place: Place) -> DynamicZone:
    middle = (place.low_velocity + place.high_velocity) // 2
    nominal = middle if decision.velocity is None else decision.velocity
    return DynamicZone(
        low_key=place.low_key,
        high_key=place.high_key,
        low_velocity=place.low_velocity,
        high_velocity=place.high_velocity,
        nominal_velocity=max(place.low_velocity, min(place.high_velocity, nominal)),
        level_db=level_db,
    )


def _tracking(curve: tuple[VelocityGain, ...], layered: bool, recipe: Recipe) -> VelocityTracking:
    if curve:
        return "curve"
    return "none" if layered and recipe.levels.velocities == "recorded" else "square"
