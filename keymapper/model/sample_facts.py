"""What an audit finds out about one sample file, apart from where it is mapped.

These facts depend on nothing but the bytes of the file, the reference and the loops asked about,
so that they may be kept. Frames count from the start of the file, ranges are half-open.
"""

from __future__ import annotations

from dataclasses import dataclass

from keymapper.model.instrument import EmbeddedHints, Measurement
from keymapper.model.loop import JoinAudibility, Loop

LONGEST_TEXT = 2_000
"""Characters of a text in a file that are kept: nobody reads more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A named place in a sample."""

    name: str
    frame: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleTexts:
    """What the file says about itself in words."""

    tags: tuple[tuple[str, str], ...] = ()
    """INFO and Vorbis tags, AIFF texts, bext and iXML fields; (name, text)."""
    markers: tuple[Marker, ...] = ()
    recorded: str | None = None
    """Date and time of the recording as ISO 8601, to the second, without a zone."""
    time_reference_frames: int | None = None
    """Frames since midnight, where a time code says so."""
    problems: tuple[str, ...] = ()
    loop_remarks: tuple[str, ...] = ()
    """What the loops of a `smpl` chunk ask for that few players do, or lack."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """How a sample begins and ends; levels are dB against its peak, at least -200."""

    lead_seconds: float
    """Silence before the sound: 60 dB under the peak, or the noise of the head."""
    rise_seconds: float
    """From there to 20 dB under the peak."""
    first_step_db: float
    """The jump from silence to the first frame."""
    last_step_db: float
    """The jump from the last frame to silence."""
    tail_db: float
    """RMS of the last 20 ms against the loudest 400 ms."""
    fades_out: bool
    """The last 40 ms fall by 6 dB or more: somebody meant them to end."""
    quiet_tail_seconds: float
    longest_pause_seconds: float
    """Silence with sound before and after it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A range of frames."""

    start_frame: int
    end_frame: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Click:
    """A jump that the sound around it does not explain."""

    frame: int
    over_db: float
    """Over what jumps around it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbances:
    """What does not belong to the note."""

    hum_hz: float | None
    """50 or 60; None where neither stands out."""
    hum_db: float
    """All its lines together, against the loudest 400 ms; -200 for none."""
    noise_dbfs: float | None
    """RMS where nothing sounds; None where there is no such place of 20 ms."""
    noise_between_db: float | None
    """Noise between the partials, against the loudest 400 ms; None without partials."""
    dropouts: tuple[Span, ...]
    clicks: tuple[Click, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedLoop:
    """A loop somebody wrote, judged on the audio it lies in."""

    loop: Loop
    join: JoinAudibility | None
    """None where it does not lie inside the audio."""
    fall_db: float
    """By how much the level falls from the loop's first third to its last."""
    mistuned_cents: float | None
    """How sharp its length makes the note; None without a pitch, or over 0.3 s."""
    cycle_hz: float | None = None
    """What it sounds at by its length alone, where it is all of a file of 50 ms or less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """A frame behind the first at which some zone begins to play a file."""

    frame: int
    step_db: float
    """The jump from silence to there, against the peak of the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleFacts:
    """One decoded and measured file."""

    rate: int
    channels: int
    frames: int
    container: str
    encoding: str
    missing_frames: int
    audio_sha256: str
    """Of the decoded frames: equal for the same sound under another name or header."""
    embedded: EmbeddedHints | None
    texts: SampleTexts
    measurement: Measurement
    edges: Edges
    disturbances: Disturbances
    mono_loss_db: float
    """What is lost when both sides are added; 0 for mono."""
    loops: tuple[JudgedLoop, ...]
    starts: tuple[Start, ...] = ()
