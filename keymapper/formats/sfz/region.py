"""One region of an SFZ file with everything it inherits, typed; frame ranges are half-open.

The SFZ opcodes ``loop_end`` and ``end`` name the last frame played; ``loop_end_frame`` and
``end_frame`` here are one more, so that a loop lasts ``loop_end_frame - loop_start_frame``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

SfzLoopMode = Literal["no_loop", "one_shot", "loop_continuous", "loop_sustain"]
SfzTrigger = Literal["attack", "release", "release_key", "first", "legato"]
OffMode = Literal["fast", "normal", "time"]
CrossfadeCurve = Literal["power", "gain"]
MOST_SLIP_CENTS = 15.0
"""A keytrack farther from 100 is another scale on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzEnvelope:
    """The loudness envelope (``ampeg_*``)."""

    delay_seconds: float = 0.0
    attack_seconds: float = 0.0
    hold_seconds: float = 0.0
    decay_seconds: float = 0.0
    sustain_percent: float = 100.0
    release_seconds: float = 0.001
    start_percent: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzFilter:
    """The first filter (``fil_type``, ``cutoff`` and what goes with them)."""

    cutoff_hz: float
    kind: str = "lpf_2p"
    resonance_db: float = 0.0
    keytrack_cents: float = 0.0
    keycenter: int = 60
    veltrack_cents: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzCrossfade:
    """Fade in over [in_low, in_high] and out over [out_low, out_high], in 0..127."""

    in_low: float = 0
    in_high: float = 0
    out_low: float = 127
    out_high: float = 127
    curve: CrossfadeCurve = "power"
    controller: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzModulation:
    """A controller that, fully up, moves the opcode `target` by `amount` in that opcode's unit."""

    target: str
    controller: int
    amount: float
    curve: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzControllerRange:
    """The region plays only while the controller lies in [low, high] at note-on."""

    controller: int
    low: float = 0
    high: float = 127


@dataclass(frozen=True, slots=True, kw_only=True)
class SfzRegion:
    """A region as a player sees it: inheritance, aliases and note offsets resolved.

    `sample` is the path as a player would look it up, relative to the folder of the SFZ file
    and with ``/``; `sample_path` is the file it was found to be, None when it was not looked
    for, is missing, lies outside the pack or is a generator such as ``*sine``.
    """

    sample: str
    sample_path: Path | None = None
    line: int | None = None
    included: str = ""
    """The included file that the line stands in; "" for the SFZ file itself."""

    lokey: int = 0
    hikey: int = 127
    lovel: int = 1
    hivel: int = 127
    pitch_keycenter: int = 60
    key_offset: int = 0
    """What ``note_offset`` and ``octave_offset`` add to every key written in this region."""
    keycenter_from_sample: bool = False
    pitch_keytrack_cents: float = 100.0
    tune_cents: float = 0.0
    """With what `level_tune_cents` holds."""
    level_tune_cents: float = 0.0
    """Sum of what the levels above add to `tune`: ``group_tune`` and the like."""
    transpose_semitones: float = 0.0

    volume_db: float = 0.0
    """With what `level_volume_db` holds."""
    level_volume_db: float = 0.0
    """Sum of what the levels above add to `volume`: ``group_volume`` and the like."""
    amplitude_percent: float = 100.0
    pan_percent: float = 0.0
    amp_veltrack_percent: float = 100.0
    amp_keytrack_db: float = 0.0
    """For each key above `amp_keycenter`."""
    amp_keycenter: int = 60
    amp_velcurve: tuple[tuple[int, float], ...] = ()
    velocity_crossfade: SfzCrossfade = SfzCrossfade()
    key_crossfade: SfzCrossfade = SfzCrossfade()
    controller_crossfades: tuple[SfzCrossfade, ...] = ()
    envelope: SfzEnvelope = SfzEnvelope()
    filter: SfzFilter | None = None
    modulations: tuple[SfzModulation, ...] = ()

    loop_mode: SfzLoopMode | None = None
    loop_start_frame: int | None = None
    loop_end_frame: int | None = None
    loop_crossfade_seconds: float = 0.0
    offset_frames: int = 0
    end_frame: int | None = None
    delay_seconds: float = 0.0
    reverse: bool = False

    trigger: SfzTrigger = "attack"
    rt_decay_db: float = 0.0
    seq_length: int = 1
    seq_position: int = 1
    lorand: float = 0.0
    hirand: float = 1.0
    group: int = 0
    off_by: int = 0
    off_mode: OffMode = "fast"
    off_time_seconds: float = 0.006
    controller_ranges: tuple[SfzControllerRange, ...] = ()
    sw_lokey: int | None = None
    sw_hikey: int | None = None
    sw_last: int | None = None
    sw_default: int | None = None

    other_opcodes: tuple[tuple[str, str], ...] = ()

    @property
    def own_tune_cents(self) -> float:
        """What the opcode ``tune`` alone says."""
        return self.tune_cents - self.level_tune_cents

    @property
    def own_volume_db(self) -> float:
        """What the opcode ``volume`` alone says."""
        return self.volume_db - self.level_volume_db

    @property
    def follows_keys(self) -> bool:
        """True where each key is a semitone, or by a slip not quite one: 98 or 101 cents."""
        return abs(self.pitch_keytrack_cents - 100.0) < MOST_SLIP_CENTS

    @property
    def is_generator(self) -> bool:
        """True for a waveform made by the player, such as ``*sine``, instead of a file."""
        return self.sample.startswith("*")

    @property
    def is_release(self) -> bool:
        """True for what sounds when a key is let go, which no key ends any more."""
        return self.trigger in ("release", "release_key")

    @property
    def is_mute(self) -> bool:
        """True for what is not to sound at all (``end=-1``), and only turns other groups off."""
        return self.end_frame == 0

    @property
    def sounds_when_pressed(self) -> bool:
        """True for what sounds when its key goes down."""
        return not self.is_release and not self.is_mute
