"""What a set of file names says, and what it was compared with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredHint:
    """What the sound of one file says: it decides what the numbers in the names mean.

    root_key : MIDI key, None for a sound without a pitch.
    confidence : probability (0..1) that root_key is right.
    tuning_cents : how sharp the sound is of root_key.
    level_db : any level that grows with velocity; None when not measured.
    """

    root_key: int | None
    confidence: float
    tuning_cents: float = 0.0
    level_db: float | None = None

    @property
    def sounding_key(self) -> float | None:
        """Root key and tuning as one fractional key, None without a pitch."""
        return None if self.root_key is None else self.root_key + self.tuning_cents / 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NameHint:
    """What one file name says; None where it says nothing, or nothing that can be believed.

    key : MIDI key (0..127) that was played, in the octave convention found for the set.
    velocity : 1..127; dynamics and numbered layers are given the velocity they usually stand for.
    round_robin : from 1.
    is_release : the note plays when its key is let go.
    sound : the name without what says key, velocity and repeat: equal for the hits of one drum.
    """

    key: int | None = None
    velocity: int | None = None
    round_robin: int | None = None
    is_release: bool = False
    sound: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """One file whose name says something else than its sound.

    index : place of the file in the names handed in.
    named : the key or velocity the name says.
    measured : the fractional key that sounds, or the level in dB.
    is_certain : the sound was measured with enough confidence to disbelieve the name.
    """

    index: int
    name: str
    kind: Literal["key", "velocity"]
    named: int
    measured: float
    is_certain: bool
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetHints:
    """What the names of a set say as a whole, one `NameHint` a file in the order handed in.

    middle_c_octave : the octave number these names give key 60 (4, 3 or 5); None without note
        names, or when they do not follow the sound.
    offset_semitones : how far the set sounds above its named keys as a whole, a fact of the patch
        rather than of a note: sounding key = key + offset. None when there was nothing to compare.
    are_velocity_ranges : the velocities are the tops of ranges that the names give.
    facts : what was found out about the set, for people.
    contradictions : the files whose sound disagrees with their name, in file order.
    """

    notes: tuple[NameHint, ...]
    middle_c_octave: int | None
    offset_semitones: int | None
    are_velocity_ranges: bool
    facts: tuple[str, ...]
    contradictions: tuple[Contradiction, ...]
