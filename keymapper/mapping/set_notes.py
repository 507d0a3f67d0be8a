"""The notes of a set on their way through the mapping."""

from __future__ import annotations

from dataclasses import dataclass, replace

from keymapper.mapping.placing import Place
from keymapper.model.instrument import (
    Decision,
    Measurement,
    NoteHints,
    VelocityGain,
    VelocityTracking,
)
from keymapper.model.recipe import NoteCorrection


@dataclass(frozen=True, slots=True, kw_only=True)
class SetNote:
    """One note of the set with all that is known before the set is looked at."""

    file: str
    measurement: Measurement
    hints: NoteHints
    sound: str
    """What its name leaves without key, velocity and repeat."""
    stored_key: int | None
    """The root that its file states, where that can be believed."""
    correction: NoteCorrection | None
    key_by_plan: int | None = None
    """Where it sounds by the plan of its session, if its own sound does not say so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecidedNote:
    """A note whose key is known."""

    note: int
    """Index among the notes of the set."""
    decision: Decision
    is_reversed: bool = False
    choke_group: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """Keys × velocities that a note plays, all ranges inclusive, and its level over velocity."""

    low_key: int
    high_key: int
    low_velocity: int
    high_velocity: int
    fade_below: int
    fade_above: int
    velocity_gains: tuple[VelocityGain, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedNote:
    """A note that plays."""

    note: int
    """Index among the notes of the set."""
    decision: Decision
    place: Place
    gain_db: float
    """Of its zone, beside the gain common to all."""
    velocity_gains: tuple[VelocityGain, ...]
    velocity_tracking: VelocityTracking
    is_reversed: bool
    choke_group: int
    baked_gain_db: float = 0.0
    """Of its sample, beside the gain common to all: what the volume of a zone cannot give."""
    areas: tuple[Area, ...] = ()
    """Where it plays, if that is not just its place: other layers may reach fewer keys."""


def areas_of(placed: PlacedNote) -> tuple[Area, ...]:
    """Return where a note plays: its areas, or just its place."""
    place = placed.place
    whole = Area(
        low_key=place.low_key,
        high_key=place.high_key,
        low_velocity=place.low_velocity,
        high_velocity=place.high_velocity,
        fade_below=place.fade_below,
        fade_above=place.fade_above,
        velocity_gains=placed.velocity_gains,
    )
    return placed.areas or (whole,)


def by_area(placed: PlacedNote) -> list[PlacedNote]:
    """Return a note once for each area it plays, as if that were its place."""
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
                fade_below=area.fade_below,
                fade_above=area.fade_above,
            ),
            velocity_gains=area.velocity_gains,
        )
        for area in areas_of(placed)
    ]
