"""From measured notes and their names to decisions and places: the set seen as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from keymapper.mapping.choking import stated_groups
from keymapper.mapping.deciding import Evidence, decided_note, doubts_of_key
from keymapper.mapping.filling import unreached
from keymapper.mapping.key_ranges import key_ranges, silent_keys
from keymapper.mapping.names.agreement import LEAST_CONFIDENCE
from keymapper.mapping.naming import named_set
from keymapper.mapping.one_shots import decided_one_shots
from keymapper.mapping.placing import (
    MOST_TURNS,
    Place,
    PlaceableNote,
    placed_as_one_shots,
    placed_on_keys,
)
from keymapper.mapping.set_notes import DecidedNote, PlacedNote, SetNote
from keymapper.mapping.splits import with_quieter_splits
from keymapper.mapping.voicing import voiced
from keymapper.model.instrument import Doubt, Measurement, ResolvedLayout, SkippedFile
from keymapper.model.keys import key_name
from keymapper.model.recipe import Recipe

SILENT_PEAK_DBFS = -80.0
SHORTEST_FRAMES = 64
LEAST_UNPITCHED_SHARE = 0.25
"""So many sounds of a set without a sure pitch may be its drums."""
LEAST_NAMED_KEYS = 3
"""So many keys do not agree with names by chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """The set, decided and placed."""

    layout: ResolvedLayout
    placed: tuple[PlacedNote, ...]
    doubts: tuple[Doubt, ...]
    skipped: tuple[SkippedFile, ...]
    remarks: tuple[str, ...]


def unusable_reason(measurement: Measurement) -> str | None:
    """Return why a note can make no zone: silent, or a mere tick; None where it can."""
    course, levels = measurement.course, measurement.levels
    if levels.peak_dbfs < SILENT_PEAK_DBFS:
        return f"is silent (peak under {SILENT_PEAK_DBFS:.0f} dBFS)"
    sounding = course.end_frame - course.onset_frame
    return f"sounds for only {sounding} frames" if sounding < SHORTEST_FRAMES else None


def resolved_layout(
    files: Sequence[str], measurements: Sequence[Measurement], recipe: Recipe
) -> ResolvedLayout:
    """Return the layout asked for; by itself, one-shots where most sounds decay without a pitch.

    Drums with a pitch are one-shots too, where their names tell that they are drums; chords that
    may be heard as several keys are none where most sound the keys in their names.
    """
    if recipe.layout != "auto":
        return recipe.layout
    keyed = sum(one.course.sustains or not one.pitch.doubtful for one in measurements)
    if 2 * keyed < len(measurements):
        return "keys" if _sound_as_named(files, measurements) else "one-shots"
    return "one-shots" if _are_drums(files, measurements) else "keys"


def _sound_as_named(files: Sequence[str], measurements: Sequence[Measurement]) -> bool:
    """Say whether most sounds, at several keys, have the pitch of the key in their name."""
    keys = [hint.key for hint in named_set(files, measurements, "keys").hints]
    agreeing = [
        key
        for key, one in zip(keys, measurements, strict=True)
        if key is not None
        and key == one.pitch.root_key
        and one.pitch.pitch_confidence >= LEAST_CONFIDENCE
    ]
    return 2 * len(agreeing) > len(measurements) and len(set(agreeing)) >= LEAST_NAMED_KEYS


def _are_drums(files: Sequence[str], measurements: Sequence[Measurement]) -> bool:
    """Say whether sounds lie on keys that are not theirs, so named.

    Most decay, many have no sure pitch, and names give all of them keys that the pitches of the
    others do not follow. Numbers that the levels show to be velocities are no such keys.
    """
    unpitched = sum(one.pitch.pitch_confidence < LEAST_CONFIDENCE for one in measurements)
    sustaining = sum(one.course.sustains for one in measurements)
    are_many = unpitched > 0 and unpitched >= LEAST_UNPITCHED_SHARE * len(measurements)
    if not are_many or 2 * sustaining > len(measurements):
        return False
    named = named_set(files, measurements, "one-shots").hints
    heard = named_set(files, measurements, "keys").hints
    return all(
        name.key is not None
        and name_as_heard.key is None
        and (name.velocity is not None or name_as_heard.velocity is None)
        for name, name_as_heard in zip(named, heard, strict=True)
    )


def assembled(notes: Sequence[SetNote], layout: ResolvedLayout, recipe: Recipe) -> Assembly:
    """Return which note plays where, and what is doubtful."""
    if layout == "one-shots":
        return _as_one_shots(notes, recipe)
    return _on_keys(notes, recipe)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Decided:
    """The notes of a set whose key is known, and what was not clear."""

    notes: tuple[DecidedNote, ...]
    doubts: tuple[Doubt, ...]
    skipped: tuple[SkippedFile, ...]


def _decided_on_keys(notes: Sequence[SetNote], recipe: Recipe) -> _Decided:
    decided: list[DecidedNote] = []
    doubts: list[Doubt] = []
    skipped: list[SkippedFile] = []
    chokes = stated_groups(recipe.choke)
    for index, note in enumerate(notes):
        evidence = Evidence(
            file=note.file,
            pitch=note.measurement.pitch,
            hints=note.hints,
            stored_key=note.stored_key,
            correction=note.correction,
            key_by_plan=note.key_by_plan,
        )
        decision = decided_note(evidence, recipe.reference_hz)
        if decision is None:
            reason = (
                "no pitch in its sound and no key to be believed in its name; "
                'give its root in the recipe, or layout = "one-shots"'
            )
            skipped.append(SkippedFile(file=note.file, reason=reason))
        else:
            choke = chokes.get(note.file, 0)
            decided.append(DecidedNote(note=index, decision=decision, choke_group=choke))
            doubts += doubts_of_key(evidence, decision)
    return _Decided(notes=tuple(decided), doubts=tuple(doubts), skipped=tuple(skipped))


def _on_keys(notes: Sequence[SetNote], recipe: Recipe) -> Assembly:
    known = _decided_on_keys(notes, recipe)
    decided = known.notes
    placeable = [_placeable(notes[one.note], one) for one in decided]
    places = with_quieter_splits(
        placed_on_keys(placeable, recipe.zones),
        [one.decision.root_key for one in decided],
        [notes[one.note].measurement.tone for one in decided],
        recipe.zones,
    )
    placed = voiced(notes, decided, places, recipe, "keys")
    return Assembly(
        layout="keys",
        placed=placed,
        doubts=known.doubts,
        skipped=(*known.skipped, *_without_turn(notes, decided, places)),
        remarks=(*_remarks(decided, recipe), *unreached(placed)),
    )


def _placeable(note: SetNote, decided: DecidedNote) -> PlaceableNote:
    return PlaceableNote(
        root_key=decided.decision.root_key,
        velocity=decided.decision.velocity,
        round_robin=decided.decision.round_robin,
        is_release=decided.decision.is_release,
        level_db=note.measurement.levels.body_dbfs,
    )


def _without_turn(
    notes: Sequence[SetNote], decided: Sequence[DecidedNote], places: Sequence[Place]
) -> list[SkippedFile]:
    """Return the repeats for which their key had no turn left."""
    placed = {place.note for place in places}
    reason = f"its key has {MOST_TURNS} repeats already, the most that take turns"
    beyond = [one.note for index, one in enumerate(decided) if index not in placed]
    return [SkippedFile(file=notes[i].file, reason=reason) for i in sorted(set(beyond))]


def _remarks(decided: Sequence[DecidedNote], recipe: Recipe) -> tuple[str, ...]:
    """Say which keys stay silent because no root reaches them."""
    if not decided:
        return ()
    silent = silent_keys(key_ranges([one.decision.root_key for one in decided], recipe.zones))
    if not silent:
        return ()
    names = ", ".join(key_name(key) for key in silent)
    return (f"no note reaches {names} within {recipe.zones.farthest} semitones: they are silent",)


def _as_one_shots(notes: Sequence[SetNote], recipe: Recipe) -> Assembly:
    decided, without_key = decided_one_shots(notes, recipe)
    placeable = [_placeable(notes[one.note], one) for one in decided]
    places = placed_as_one_shots(placeable, recipe.zones)
    reason = "no key is left for it; " + (
        "lower base_key in the recipe's [one_shots]"
        if recipe.one_shots.base_key
        else "make two instruments of the set"
    )
    return Assembly(
        layout="one-shots",
        placed=voiced(notes, decided, places, recipe, "one-shots"),
        doubts=(),
        skipped=(
            *(SkippedFile(file=notes[i].file, reason=reason) for i in without_key),
            *_without_turn(notes, decided, places),
        ),
        remarks=(),
    )
