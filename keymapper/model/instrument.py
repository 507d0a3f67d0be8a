"""An instrument: zones over keys and velocities, and where each came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from keymapper.model.loop import JoinAudibility, Loop, LoopVerdict
from keymapper.model.pitch import Pitch
from keymapper.model.recipe import Recipe
from keymapper.model.sound import Channels, Course, Levels
from keymapper.model.tone import Tone

PlayMode = Literal["loop_continuous", "no_loop", "one_shot"]
VelocityTracking = Literal["square", "curve", "none"]
DecidedBy = Literal["sound", "name", "recipe", "file", "order", "plan"]
Balance = Literal["none", "first", "second"]
Trigger = Literal["attack", "release"]
ResolvedLayout = Literal["keys", "one-shots"]
KeptChannel = Literal["all", "left", "right", "folded"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """A recording as it was found."""

    file: str
    """Relative to the folder of recordings, with `/`; of a note in a take, its name by the plan."""
    take: str
    """The take that the note lies in; "" for a file of its own."""
    first_frame: int
    """Of the note in its take."""
    sha256: str
    """Of the file, or of the whole take."""
    rate: int
    channels: int
    frames: int
    container: str
    encoding: str
    missing_frames: int
    session_seconds: float | None = None
    """When it was played, for a note of a session that was cut; None where nobody says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EmbeddedHints:
    """What `smpl` and `inst` chunks say about a sample."""

    root_key: int | None = None
    tuning_cents: float | None = None
    """How sharp the sample is against root_key."""
    loop_start_frame: int | None = None
    loop_end_frame: int | None = None
    """Half-open."""
    low_key: int | None = None
    high_key: int | None = None
    low_velocity: int | None = None
    high_velocity: int | None = None

    @property
    def loop(self) -> Loop | None:
        """The loop, where both of its ends are given."""
        if self.loop_start_frame is None or self.loop_end_frame is None:
            return None
        return Loop(start_frame=self.loop_start_frame, end_frame=self.loop_end_frame)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """All that was found out about one note from its sound."""

    pitch: Pitch
    course: Course
    levels: Levels
    channels: Channels
    tone: Tone


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteHints:
    """What the name of a recording says, read for the set as a whole."""

    key: int | None = None
    velocity: int | None = None
    round_robin: int | None = None
    is_release: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What was taken for true of one note."""

    root_key: int
    tuning_cents: float
    velocity: int | None
    round_robin: int | None
    is_release: bool
    decided_by: DecidedBy


@dataclass(frozen=True, slots=True, kw_only=True)
class Processing:
    """What was done to the audio between source and sample, in this order."""

    channel: KeptChannel
    """"left" or "right" where equal or dead sides were folded to one."""
    reversed: bool
    baked_cents: float
    """By how much the sound was lowered (raised, where negative) by resampling."""
    dc_removed: tuple[float, ...]
    """Of each channel: what it rests at, its mean where it never rests."""
    high_pass_hz: float | None = None
    """Of first order, where the wave has a mean of its own; None where nothing was filtered."""
    start_frame: int
    end_frame: int
    """Half-open range of the source that was kept."""
    rate: int
    """Of the sample; differs from the source's where it was resampled."""
    fade_in_frames: int = 0
    crossfade_frames: int
    flattened: bool
    fade_out_frames: int
    gain_db: float
    bits: int
    dithered: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleFile:
    """A sample as it was written."""

    file: str
    """Relative to the instrument's folder, with `/`."""
    sha256: str
    frames: int
    channels: int
    peak_dbfs: float
    processing: Processing
    loop: Loop | None
    join: JoinAudibility | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteRecord:
    """One recording: source, measurement, decision, sample."""

    source: SourceFile
    embedded: EmbeddedHints | None
    hints: NoteHints
    measurement: Measurement
    decision: Decision
    loop: LoopVerdict
    """Frames of the sample, which starts at the source's `sample.processing.start_frame`."""
    sample: SampleFile


@dataclass(frozen=True, slots=True, kw_only=True)
class SkippedFile:
    """A file that gave no zone, and why."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Something a person should look at; the gravest come first."""

    file: str
    about: Literal["pitch", "name", "loop", "level", "file", "channels", "set"]
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AmplitudeEnvelope:
    """Loudness over time as the player applies it, in seconds."""

    hold_seconds: float = 0.0
    decay_db_per_second: float | None = None
    """Puts back the decay that was taken out of a loop; None holds the level."""
    release_seconds: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class VelocityFade:
    """Over which velocities a zone fades in from the layer below and out to the layer above."""

    in_low: int = 0
    in_high: int = 0
    out_low: int = 127
    out_high: int = 127
    law: Literal["power", "gain"] = "power"
    """Amplitude over velocity: a square root, or (what builds write) a straight line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Brightness:
    """A low-pass of two poles, moved by the brightness control from closed to as recorded."""

    closed_hz: float
    range_cents: int
    """From closed to fully open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """A knob of the instrument."""

    controller: int
    label: str
    start: int
    """0 … 127: the position that plays as recorded."""
    seconds: float | None = None
    """What the knob adds at its top, for times of the envelope."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VelocityGain:
    """A point of a zone's level over velocity; between points, amplitude is linear."""

    velocity: int
    gain_db: float
    """Over the zone's `gain_db`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """Keys × velocities that play one sample. Ranges of keys and velocities are inclusive."""

    sample: str
    root_key: int
    tuning_cents: float
    """How sharp the sample is; the correction written out is its negative."""
    target_cents: float
    """Where its keys are meant to lie, above equal temperament; 0 without a scale."""
    low_key: int
    high_key: int
    low_velocity: int
    high_velocity: int
    velocity_fade: VelocityFade | None
    round_robin: int
    """1 … round_robins."""
    round_robins: int
    trigger: Trigger
    gain_db: float
    pan_percent: float
    """-100 (left) … 100 (right)."""
    balance: Balance
    """Which end of the balance control leaves it sounding."""
    velocity_tracking: VelocityTracking
    """Amplitude follows (velocity / 127)², `velocity_gains`, or nothing."""
    velocity_gains: tuple[VelocityGain, ...]
    play_mode: PlayMode
    loop: Loop | None
    envelope: AmplitudeEnvelope
    brightness: Brightness | None
    choke_group: int
    """Zones of one group above 0 cut each other off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerFacts:
    """What holds for the recordings of one layer as a set."""

    folder: str
    """Relative to the folder of recordings; "" where the whole of it is one layer."""
    layout: ResolvedLayout
    offset_semitones: int
    """How far the set as a whole sounds above the keys in its names."""
    middle_c_octave: int | None
    """The octave number that the names give key 60; None without note names."""
    remarks: tuple[str, ...]
    gain_db: float
    """Common to all its samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """The neutral description of an instrument, complete enough to write any other format."""

    format: Literal["keymapper-instrument"] = "keymapper-instrument"
    format_version: Literal[1] = 1
    tool_version: str
    name: str
    author: str
    licence: str
    description: str
    reference_hz: float
    recipe: Recipe
    layers: tuple[LayerFacts, ...]
    """They sound together."""
    controls: tuple[Control, ...]
    zones: tuple[Zone, ...]
    notes: tuple[NoteRecord, ...]
    doubts: tuple[Doubt, ...]
    skipped: tuple[SkippedFile, ...]
