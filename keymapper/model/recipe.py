"""The user's decisions for one instrument, as they stand in `recipe.toml`.

Every field has a default, so that an empty recipe is a valid one. `None` leaves the decision to
the tool. Corrections of single notes survive every rebuild.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from keymapper.model.keys import key_number
from keymapper.model.loop import LoopMode
from keymapper.model.proof import ProofLimits

Layout = Literal["auto", "keys", "one-shots"]
SampleFormat = Literal["wav", "flac"]
LevelChoice = Literal["recorded", "smooth", "even"]
VelocityChoice = Literal["continuous", "recorded"]
Split = Literal["nearest", "upwards", "downwards"]
VelocitySplit = Literal["half-way", "recorded"]
OneShotTuning = Literal["none", "semitone"]
Choking = Literal["none", "prefix", "all"]

_SIZE = re.compile(r"(\d+(?:\.\d+)?) ?([kKmMgG]B)")
_UNITS = {"kb": 1e3, "mb": 1e6, "gb": 1e9}


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSettings:
    """How far a recorded note is played away from its own key."""

    split: Split = "nearest"
    """Between two roots: to the nearest, or each root only plays upwards or downwards."""
    reach_below: int = 12
    """Semitones that the lowest root reaches down."""
    reach_above: int = 12
    """Semitones that the highest root reaches up."""
    farthest: int = 127
    """Semitones that any note may be transposed by; keys beyond stay silent."""
    velocity_split: VelocitySplit = "half-way"
    """Between two layers: half-way between their velocities, or up to the recorded velocity."""
    velocity_fade: int = 0
    """Velocities over which one layer fades into the next, fewer where one is narrower."""

    def __post_init__(self) -> None:
        """Refuse a reach beyond the keyboard."""
        for name in ("reach_below", "reach_above", "farthest"):
            if not 0 <= getattr(self, name) <= 127:
                raise ValueError(f"{name} must lie in 0..127 semitones")
        if not 0 <= self.velocity_fade <= 60:
            raise ValueError("velocity_fade must lie in 0..60 velocities")


@dataclass(frozen=True, slots=True, kw_only=True)
class OneShotSettings:
    """How sounds that play to their end are laid out."""

    base_key: int | None = None
    """Key of the first one where names give none; None takes 36, or lower so that all fit."""
    tune: OneShotTuning = "none"
    """Whether a sound with a pitch is tuned to the nearest semitone."""
    key: str | None = None
    """Tune sounds with a pitch to this note name in the nearest octave, for example "C"."""
    choke: Choking = "none"
    """Which sounds cut each other off: those whose names begin with the same word, or all."""
    reversed_copies: bool = False
    """Whether each sound also comes backwards, on keys of its own after all others."""

    def __post_init__(self) -> None:
        """Refuse a key that is none."""
        if self.base_key is not None and not 0 <= self.base_key <= 127:
            raise ValueError("base_key must lie in 0..127")
        if self.key is not None and key_number(f"{self.key}4") is None:
            raise ValueError(f'key {self.key!r} is no note name; write "C" or "F#"')


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerSettings:
    """One of several folders that sound together."""

    folder: str
    """Below the folder of recordings, with `/`."""
    gain_db: float = 0.0
    """Beside the gain that balances the layers."""
    tune_cents: float = 0.0
    pan: float = 0.0
    """-100 (left) … 100 (right)."""
    keys: tuple[int, int] = (0, 127)
    """Lowest and highest key, both played."""
    velocities: tuple[int, int] = (1, 127)

    def __post_init__(self) -> None:
        """Refuse ranges off the keyboard, and what no mix asks for."""
        for name, lowest in (("keys", 0), ("velocities", 1)):
            low, high = getattr(self, name)
            if not lowest <= low <= high <= 127:
                raise ValueError(f"{name} of a layer must rise within {lowest}..127")
        for name, most in (("gain_db", 60), ("tune_cents", 4800), ("pan", 100)):
            if not -most <= getattr(self, name) <= most:
                raise ValueError(f"{name} of a layer must lie in -{most}..{most}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChokeGroup:
    """Recordings that cut each other off, on keys or as one-shots."""

    name: str
    files: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningSettings:
    """How the instrument is brought in tune."""

    bake: bool = False
    """Resample what is out of tune, instead of whole cents in the SFZ."""
    scale: str | None = None
    """A Scala .scl file beside the recipe: the tuning to play in."""
    keyboard: str | None = None
    """A Scala .kbm file beside the recipe: where the scale lies, or else twelve equal steps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlSettings:
    """Controls for playing; each starts at "as recorded"."""

    brightness: bool = True
    attack: bool = True
    release: bool = True
    darkest_share: float = 1.0
    """How far down the brightness control goes of what it could: 0 … 1."""
    longest_attack_seconds: float = 0.25
    longest_release_seconds: float = 3.0

    def __post_init__(self) -> None:
        """Refuse ranges that no knob has."""
        if not 0.0 <= self.darkest_share <= 1.0:
            raise ValueError("darkest_share must lie in 0..1")
        for name in ("longest_attack_seconds", "longest_release_seconds"):
            if not 0.0 < getattr(self, name) <= 30.0:
                raise ValueError(f"{name} must lie in 0..30 s")


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSettings:
    """How far the recorded levels stay."""

    keys: LevelChoice = "smooth"
    """From key to key: as recorded, without what sticks out, or all alike."""
    velocities: VelocityChoice = "continuous"
    """Level rises with velocity without a jump between layers, or as the layers were recorded."""
    peak_dbfs: float = -3.0
    """The loudest sample ends up at this peak, and no note plays louder; all are moved alike."""

    def __post_init__(self) -> None:
        """Refuse a peak over full scale."""
        if not -60.0 <= self.peak_dbfs <= 0.0:
            raise ValueError("peak_dbfs must lie in -60..0 dB")


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSettings:
    """The files that are written."""

    format: SampleFormat = "wav"
    bits: Literal[16, 24] = 24
    rate: int | None = None
    """Hz; None keeps each recording's own."""

    def __post_init__(self) -> None:
        """Refuse a rate no player would take."""
        if self.rate is not None and not 8_000 <= self.rate <= 192_000:
            raise ValueError("rate must lie in 8000..192000 Hz")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopSettings:
    """How sustaining notes are looped."""

    mode: LoopMode = "long"
    flatten: bool = True
    """Whether a gentle decay may be taken out of the loop and put back by the envelope."""
    length_seconds: float | None = None
    """About how long loops are to be; None for what the sound asks for."""
    length_beats: float | None = None
    """The same in beats."""
    beats_per_minute: float | None = None
    """Tempo that `length_beats` counts in."""

    def __post_init__(self) -> None:
        """Refuse a loop of no length, of two lengths, or of beats without a tempo."""
        for name in ("length_seconds", "length_beats", "beats_per_minute"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 1e4:
                raise ValueError(f"{name} must be above 0 and below 10000")
        if (self.length_beats is None) is not (self.beats_per_minute is None):
            raise ValueError("length_beats and beats_per_minute go together")
        if self.length_seconds is not None and self.length_beats is not None:
            raise ValueError("state length_seconds or length_beats, not both")

    @property
    def wanted_seconds(self) -> float | None:
        """About how long loops are to be, however it was stated."""
        if self.length_beats is None or self.beats_per_minute is None:
            return self.length_seconds
        return self.length_beats * 60 / self.beats_per_minute


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetSettings:
    """How much memory the instrument may take, and what may be given up for it."""

    size: str | None = None
    """Of the decoded samples, for example "32MB" (of 1 000 000 bytes); None sets no limit."""
    max_notes: int | None = None
    """Recorded notes that may be kept."""
    fold: bool = True
    """Whether two channels may become one."""
    lower_bits: bool = True
    """Whether 24 bits may become 16."""
    lower_rates: bool = True
    """Whether dark notes may get a lower sample rate."""
    shorten: bool = True
    """Whether loops may come earlier or be short, and tails end early."""

    def __post_init__(self) -> None:
        """Refuse a size that is none."""
        if self.size is not None and not _SIZE.fullmatch(self.size):
            raise ValueError(f'size {self.size!r} is no size; write "32MB" or "800kB"')
        if self.max_notes is not None and self.max_notes < 1:
            raise ValueError("max_notes must be at least 1")

    @property
    def most_bytes(self) -> int | None:
        """Return the size in bytes; None for no limit."""
        found = None if self.size is None else _SIZE.fullmatch(self.size)
        return None if found is None else round(float(found[1]) * _UNITS[found[2].lower()])


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteCorrection:
    """What the user knows better about one recording."""

    file: str
    """Path relative to the folder of recordings, with `/`."""
    root: str | int | None = None
    """Key number, or a name with 60 as C4."""
    tuning_cents: float | None = None
    """How sharp the recording is against its root."""
    velocity: int | None = None
    round_robin: int | None = None
    release: bool | None = None
    loop: tuple[int, int] | bool | None = None
    """[first frame, one past the last frame] of the recording, or false for no loop."""
    skip: bool = False
    gain_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """Everything a user can decide about an instrument."""

    name: str | None = None
    author: str | None = None
    licence: str | None = None
    description: str | None = None
    reference_hz: float = 440.0
    layout: Layout = "auto"
    release_seconds: float | None = None
    """Fade after the key is let go; None takes 0.3 s for what sustains, else 0.1 s."""
    zones: ZoneSettings = ZoneSettings()
    levels: LevelSettings = LevelSettings()
    samples: SampleSettings = SampleSettings()
    loops: LoopSettings = LoopSettings()
    tuning: TuningSettings = TuningSettings()
    one_shots: OneShotSettings = OneShotSettings()
    controls: ControlSettings = ControlSettings()
    budget: BudgetSettings = BudgetSettings()
    proof: ProofLimits = field(default_factory=ProofLimits)
    """Limits that a proof holds the instrument to."""
    choke: tuple[ChokeGroup, ...] = ()
    layer: tuple[LayerSettings, ...] = ()
    """Folders that sound together as one instrument; none: the whole folder is one layer."""
    note: tuple[NoteCorrection, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a reference or release no instrument has, and two corrections of one file."""
        if not 300.0 <= self.reference_hz <= 600.0:
            raise ValueError("reference_hz must lie in 300..600 Hz")
        if self.release_seconds is not None and not 0.0 <= self.release_seconds <= 100.0:
            raise ValueError("release_seconds must lie in 0..100 s")
        files = [correction.file for correction in self.note]
        for file in files:
            if files.count(file) > 1:
                raise ValueError(f"two [[note]] tables name the file {file!r}")
