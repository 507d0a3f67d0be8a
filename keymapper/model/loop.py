"""Sustain loops: where they lie, why they were chosen, and how audible their join is.

Conventions
-----------
Frame ranges are half-open: ``end_frame`` itself is not played, the period is ``end - start``.
Levels are dB, tuning is cents, times end in ``_seconds``; ``None`` means "does not apply".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

LoopMode = Literal["long", "short", "none"]
LoopKind = Literal["long", "short", "given", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """A sustain loop, half-open: the frame at ``end_frame`` is not played."""

    start_frame: int
    end_frame: int

    @property
    def length_frames(self) -> int:
        """Frames in one pass of the loop."""
        return self.end_frame - self.start_frame


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopOptions:
    """What the user decided about the loop of one note; the defaults leave it to the search.

    ``given`` is taken as it is (only the crossfade is chosen). ``length_seconds`` asks for a
    loop of about that length; ``flatten`` allows a gentle decay to be taken out of the audio.
    """

    mode: LoopMode = "long"
    flatten: bool = True
    given: Loop | None = None
    length_seconds: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Flattening:
    """A gentle decay taken out of the audio, to be put back by the amplitude envelope.

    From ``start_frame`` on, the shipped audio is held level; an envelope that holds until there
    and then falls by ``decay_db_per_second`` restores what was recorded. It is 0 where the note
    does not surely die away: a slow beat must not make it fade for ever.
    ``band_decays_db_per_second`` holds the same trend per third octave, ``loop_gain_db`` by how
    much the loop is louder for it.
    """

    start_frame: int
    decay_db_per_second: float
    loop_gain_db: float
    band_decays_db_per_second: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopVerdict:
    """Whether and where a note loops, with the evidence.

    ``correlation`` is the normalised waveform correlation at the join (1 = identical);
    ``movement_db`` says how much the sustain moves by itself (rms of its band levels about their
    trend). ``calming_ratio`` is the share of that movement taken out of a loop too short for it,
    so that it is not heard coming round. ``doubtful`` marks a loop that may be heard, ``advice``
    says what would help.
    """

    loop: Loop | None
    kind: LoopKind
    reason: str
    correlation: float | None = None
    crossfade_frames: int = 0
    flattening: Flattening | None = None
    calming_ratio: float = 0.0
    movement_db: float | None = None
    doubtful: bool = False
    advice: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinAudibility:
    """How far each cue of a loop's join lies over (+) or under (-) its threshold, in dB.

    The floor is -20 dB. ``None`` marks a cue that does not apply (a loop shorter than 80 ms has
    no wobble or repetition of its own). ``worst_db`` is the highest: above 0 the join is heard.
    ``frozen_db`` is not a fault of the join and not part of ``worst_db``: by how much the loop
    moves less than the note did (above 1 dB it sounds dead).
    """

    click_db: float
    step_db: float
    level_db: float
    wobble_db: float | None
    repetition_db: float | None
    pitch_db: float
    worst_db: float
    frozen_db: float | None = None
