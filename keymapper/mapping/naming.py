"""Names of recordings, read for the set as a whole, as hints and doubts of the model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from keymapper.mapping.names import Contradiction, MeasuredHint, hints_from_names
from keymapper.mapping.planned_keys import keys_by_plan
from keymapper.model.instrument import Doubt, Measurement, NoteHints, ResolvedLayout
from keymapper.model.keys import nearest_key


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedSet:
    """What the names of a set say."""

    hints: tuple[NoteHints, ...]
    """One a file; keys are those that sound, the set's common offset counted in."""
    sounds: tuple[str, ...]
    """One a file: its name without key, velocity and repeat, equal for the hits of one drum."""
    offset_semitones: int
    """How far the set sounds above the keys in its names; 0 where that is unknown."""
    middle_c_octave: int | None
    are_velocity_ranges: bool
    """Whether its velocities are the tops of ranges that the names give."""
    facts: tuple[str, ...]
    doubts: tuple[Doubt, ...]
    keys_by_plan: tuple[int | None, ...]
    """One a file: where it sounds by the plan of its session, if its sound does not say so."""


def named_set(
    files: Sequence[str],
    measurements: Sequence[Measurement],
    layout: ResolvedLayout,
    planned: Sequence[int | None] | None = None,
) -> NamedSet:
    """Return what the names of a set say, compared with what was measured.

    One-shots are named after the key that plays them, whatever pitch they may have.

    planned : the key that the plan of a session pressed for each; None without a session.
    """
    keyed = layout == "keys"
    measured = [measured_hint(one) if keyed else None for one in measurements]
    by_plan = keys_by_plan(planned or [None] * len(files), measured)
    read = hints_from_names(
        files, [_as_planned(*one) for one in zip(measured, by_plan, strict=True)]
    )
    offset = read.offset_semitones or 0
    hints = [
        NoteHints(
            key=_sounding(hint.key, offset),
            velocity=hint.velocity,
            round_robin=hint.round_robin,
            is_release=hint.is_release,
        )
        for hint in read.notes
    ]
    return NamedSet(
        hints=tuple(hints),
        sounds=tuple(hint.sound for hint in read.notes),
        offset_semitones=offset,
        middle_c_octave=read.middle_c_octave,
        are_velocity_ranges=read.are_velocity_ranges,
        facts=read.facts,
        doubts=tuple(_doubt(one) for one in read.contradictions),
        keys_by_plan=by_plan,
    )


def _as_planned(measured: MeasuredHint | None, key: int | None) -> MeasuredHint | None:
    """Return what is held against a name: the plan where that is believed against the sound."""
    if measured is None or key is None:
        return measured
    return replace(measured, root_key=key, tuning_cents=0.0)


def measured_hint(measurement: Measurement) -> MeasuredHint:
    """Return what reading names needs to know of how a note sounds."""
    pitch = measurement.pitch
    return MeasuredHint(
        root_key=pitch.root_key,
        confidence=pitch.pitch_confidence,
        tuning_cents=pitch.tuning_cents or 0.0,
        level_db=measurement.levels.body_dbfs,
    )


def _sounding(key: int | None, offset_semitones: int) -> int | None:
    return None if key is None else nearest_key(key + offset_semitones)


def _doubt(contradiction: Contradiction) -> Doubt:
    return Doubt(file=contradiction.name, about="name", message=contradiction.reason)
