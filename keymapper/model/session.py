"""A recording session: what was decided, what is to be played, and what the take gave.

Times are seconds from the start of the plan unless a name says `take`. A plan index is the
0-based position of a note among all note-ons of the plan, sync and reference notes included.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SHEET_FORMAT_VERSION = 1
NOTES_FORMAT_VERSION = 1

NoteRole = Literal["note", "sync", "reference"]
"""A note to sample; one of the count-in; the one pitch repeated to measure drift."""
NoteOrder = Literal["upwards", "shuffled"]

CLIPPED = "reaches full scale: most likely clipped"
NO_PITCH = "no pitch was found"
UNSURE_KEY = "its key is unsure"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeySeconds:
    """A duration at one key; between such points it changes linearly."""

    key: int | str
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CloserKeys:
    """A part of the keyboard that is recorded at a closer spacing."""

    lowest_key: int | str
    highest_key: int | str
    every: int = 1
    """Semitones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchCall:
    """A patch and the MIDI messages that call it up; numbers as on the wire, from 0."""

    name: str
    program: int | None = None
    bank_msb: int | None = None
    bank_lsb: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSettings:
    """The `[session]` table of a recipe. Keys are numbers, or names with 60 as C4."""

    name: str = "Session"
    lowest_key: int | str = 36
    highest_key: int | str = 96
    every: int = 3
    """Semitones from one recorded key to the next: 1 every note, 12 octaves."""
    keys: tuple[int | str, ...] | None = None
    """An explicit list, in place of the range."""
    closer: tuple[CloserKeys, ...] = ()
    velocities: tuple[int, ...] = (100,)
    repeats: int = 1
    hold_seconds: float | tuple[KeySeconds, ...] = 3.0
    release_seconds: float | tuple[KeySeconds, ...] = 1.5
    pause_seconds: float = 0.25
    spacing_seconds: float | None = None
    """From one note-on to the next, in place of hold, release and pause added up."""
    mono: bool = False
    """The patch plays one note at a time: a note must end before the next begins."""
    order: NoteOrder = "upwards"
    seed: int = 1
    reference_every_seconds: float | None = None
    reference_key: int | str | None = None
    """None takes the middle one of the recorded keys; also the key of the count-in."""
    sync_notes: int = 4
    patches: tuple[PatchCall, ...] = ()
    settle_seconds: float = 2.0
    """Between a program change and the first note of the patch."""
    channel: int = 1
    """1..16."""
    transpose: int = 0
    """Semitones added to every key on its way to the synth."""
    longest_seconds: float = 4 * 3600.0
    """A longer session is refused."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedNote:
    """One note-on of the plan."""

    role: NoteRole
    patch: int
    """Index into the patches of the sheet."""
    key: int
    velocity: int
    round_robin: int
    """1 for the first time this patch, key and velocity is played in this role."""
    on_seconds: float
    off_seconds: float
    until_seconds: float
    """The room left for the release ends here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSheet:
    """What to play and when, exact to the millisecond; notes in the order of their note-ons."""

    name: str
    patches: tuple[PatchCall, ...]
    patch_starts_seconds: tuple[float, ...]
    """When the messages that call up each patch are sent."""
    notes: tuple[PlannedNote, ...]
    duration_seconds: float
    channel: int
    transpose: int
    format_version: int = SHEET_FORMAT_VERSION


@dataclass(frozen=True, slots=True, kw_only=True)
class CutNote:
    """One note found in a take; the file holds the frames [first_frame, end_frame) of the take."""

    file: str | None
    """Relative to the folder of notes.json; None where no copy was written."""
    take: int
    """Index into the takes of the report."""
    plan_index: int | None
    """None for a note the plan does not have."""
    role: NoteRole
    patch: int
    key: int | None
    velocity: int | None
    round_robin: int
    onset_seconds: float
    """In the take: the note reaches 1 % of its own peak, or the noise floor where higher."""
    end_seconds: float
    first_frame: int
    end_frame: int
    peak_dbfs: float
    signal_to_noise_db: float
    """RMS of the note's loudest 50 ms against the noise floor before it."""
    note_off_seconds: float | None = None
    """When the plan let the key go, in the take; None where no clock tells."""
    doubtful: tuple[str, ...] = ()
    """Reasons to look again; none where the note is as planned."""

    @property
    def planned_key(self) -> int | None:
        """Return the key that the plan pressed; None for a note it does not have."""
        return None if self.plan_index is None else self.key

    @property
    def cutting_doubts(self) -> tuple[str, ...]:
        """Return the reasons to look again that the note measured by itself does not show."""
        shown = (CLIPPED, NO_PITCH, UNSURE_KEY)
        return tuple(doubt for doubt in self.doubtful if not doubt.startswith(shown))


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraNote:
    """A note of a take that the plan does not have."""

    take: int
    onset_seconds: float
    after_plan_index: int | None
    """The last planned note before it; None before the first."""
    doubles_plan_index: int | None
    """The planned note it seems to repeat, starting while that one is held; else None."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CutTake:
    """One take as it was lined up with the plan."""

    file: str
    rate_hz: int
    channels: int
    frames: int
    missing_frames: int
    """Frames the header promises and the file does not hold."""
    latency_seconds: float | None
    """The take's time when the plan's is 0; None without a plan. Negative: started late."""
    drift_ppm: float | None
    """How much longer the take's seconds are than the plan's, in millionths."""
    onsets_matched: int
    onsets_found: int
    noise_floor_dbfs: float
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CutReport:
    """What slicing found, as notes.json holds it; latency and drift are those of the first take."""

    latency_seconds: float | None
    drift_ppm: float | None
    missing: tuple[int, ...]
    """Plan indexes."""
    extra: tuple[ExtraNote, ...]
    notes: tuple[CutNote, ...]
    takes: tuple[CutTake, ...]
    patches: tuple[PatchCall, ...] = ()
    missing_files: tuple[str, ...] = ()
    """What the missing notes would be called, sync and reference notes left out."""
    format_version: int = NOTES_FORMAT_VERSION

    def session_seconds(self, note: CutNote) -> float:
        """Return when a note began in the session, whose takes follow one another."""
        before = self.takes[: note.take]
        return sum(take.frames / max(1, take.rate_hz) for take in before) + note.onset_seconds

    def held_frames(self, note: CutNote) -> int | None:
        """Return how many frames of its file a note was held for; None where that is unknown."""
        if note.note_off_seconds is None:
            return None
        rate = self.takes[note.take].rate_hz
        return max(0, round(note.note_off_seconds * rate) - note.first_frame)
