"""The user's decisions for one instrument, as they stand in `recipe.toml`.

Every field has a default, so that an empty recipe is a valid one. `None` leaves the decision to
the tool. Corrections of single notes survive every rebuild.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from keymapper.model.loop import LoopMode

Layout = Literal["auto", "keys", "one-shots"]
SampleFormat = Literal["wav", "flac"]
LevelChoice = Literal["recorded", "smooth", "even"]
VelocityChoice = Literal["continuous", "recorded"]
Split = Literal["nearest", "upwards", "downwards"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSettings:
    """How far a recorded note is played away from its own key."""

    split: Split = "nearest"
    """Between two roots: to the nearest, or each root only plays upwards or downwards."""
    reach_below: int = 12
    """Semitones that the lowest root reaches down."""
    reach_above: int = 12
    """Semitones that the highest root reaches up."""

    def __post_init__(self) -> None:
        """Refuse a reach beyond the keyboard."""
        for name in ("reach_below", "reach_above"):
            if not 0 <= getattr(self, name) <= 127:
                raise ValueError(f"{name} must lie in 0..127 semitones")


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSettings:
    """How far the recorded levels stay."""

    keys: LevelChoice = "smooth"
    """From key to key: as recorded, without what sticks out, or all alike."""
    velocities: VelocityChoice = "continuous"
    """Level rises with velocity without a jump between layers, or as the layers were recorded."""
    peak_dbfs: float = -3.0
    """The loudest sample ends up at this peak; all are moved by the same gain."""

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

    def __post_init__(self) -> None:
        """Refuse a loop of no length."""
        if self.length_seconds is not None and self.length_seconds <= 0:
            raise ValueError("length_seconds must be above 0")


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
    one_shot_base_key: int = 36
    release_seconds: float | None = None
    """Fade after the key is let go; None takes 0.3 s for what sustains, else 0.1 s."""
    zones: ZoneSettings = ZoneSettings()
    levels: LevelSettings = LevelSettings()
    samples: SampleSettings = SampleSettings()
    loops: LoopSettings = LoopSettings()
    note: tuple[NoteCorrection, ...] = field(default=())

    def __post_init__(self) -> None:
        """Refuse a reference no instrument is tuned to, and two corrections of one file."""
        if not 300.0 <= self.reference_hz <= 600.0:
            raise ValueError("reference_hz must lie in 300..600 Hz")
        if not 0 <= self.one_shot_base_key <= 127:
            raise ValueError("one_shot_base_key must lie in 0..127")
        files = [correction.file for correction in self.note]
        for file in files:
            if files.count(file) > 1:
                raise ValueError(f"two [[note]] tables name the file {file!r}")
