"""A proof: a written instrument, played key by key and measured.

Tuning is in cents above (+) or below (-) the target of the key, levels are dB re full scale,
``None`` means "was not measured" and goes with a reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from keymapper.model.finding import Severity
from keymapper.model.loop import JoinAudibility

ONE_SHOT_REASON = "a one-shot has no key to be in tune with"
STEADY_CENTS = 1.0
"""A pitch that moves by less than this is steady."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofLimits:
    """Beyond these a finding is made."""

    tuning_cents: float = 2.0
    """Distance from the target, after the error of the measurement is taken off, and the
    movement too where the sound is not steady."""
    neighbour_level_db: float = 1.5
    hand_over_db: float = 1.0
    """Jump between velocity layers beyond what the layers themselves rise by."""
    onset_delay_seconds: float = 0.002
    """Later than the instrument's middle note; a tenth of the time that a note takes to rise
    from 60 to 20 dB under its peak counts as part of the sound."""
    click_db: float = 6.0
    """Over what the sound does by itself."""
    join_db: float = 0.0
    silence_dbfs: float = -80.0

    def __post_init__(self) -> None:
        """Refuse limits that nothing could meet."""
        for name in ("tuning_cents", "neighbour_level_db", "hand_over_db", "onset_delay_seconds"):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} must be 0 or more")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedNote:
    """One note as it was played and what came out."""

    key: int
    velocity: int
    turn: int
    """Which round robin: how many notes went before on the key."""
    random_ratio: float
    samples: tuple[str, ...]
    """The samples that sounded, in the order of the regions."""
    root_keys: tuple[int, ...]
    """Their root keys."""
    zones_sounding: float
    """How many zones that is, where a crossfading pair counts as one."""
    level_dbfs: float
    """As it goes on in its loop, on average; of what has none, the loudest 400 ms. Over both
    sides."""
    peak_dbfs: float
    tuning_cents: float | None
    tuning_error_cents: float | None
    movement_cents: float
    """How far the pitch moves by itself: detuned voices, vibrato; 0 where not measured."""
    octaves: int
    """Whole octaves above the key, taken off `tuning_cents`."""
    not_tuned_reason: str | None
    onset_seconds: float | None
    """After the key goes down, to 60 dB under the peak; None for silence."""
    rise_seconds: float
    """From there to 20 dB under the peak."""
    start_click_db: float | None
    release_click_db: float | None
    articulation: str = ""
    """The key switch and controllers it was played with; "" as the instrument starts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOver:
    """Where one velocity layer hands over to the next: `velocity` is the last of the lower."""

    key: int
    velocity: int
    jump_db: float
    articulation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelStep:
    """How much louder (+) `key + 1` is than `key` at one velocity."""

    key: int
    velocity: int
    step_db: float
    articulation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedJoin:
    """The join of one sample's loop, as the instrument plays it."""

    sample: str
    loop_start_frame: int
    loop_end_frame: int
    """Half-open."""
    audibility: JoinAudibility


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedEnd:
    """Where a zone without a loop stops by itself, and how much of a click that is."""

    sample: str
    end_frame: int
    """One past the last frame played."""
    click_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Choke:
    """A sounding note cut off by another key."""

    key: int
    by_key: int
    click_db: float
    articulation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofFinding:
    """One place where a limit was passed."""

    rule: str
    severity: Severity
    file: str
    zone: str
    """Key, velocity and articulation, for example "C#3 v100 (switch C0)"."""
    measured: float | None
    limit: float | None
    unit: str
    message: str
    fix: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """All that was played, and what passed a limit; the gravest findings come first."""

    format: Literal["keymapper-proof"] = "keymapper-proof"
    format_version: Literal[1] = 1
    tool_version: str
    instrument: str
    verdict: str
    reference_hz: float
    rate: int
    limits: ProofLimits
    findings: tuple[ProofFinding, ...]
    notes: tuple[PlayedNote, ...]
    level_steps: tuple[LevelStep, ...]
    hand_overs: tuple[HandOver, ...]
    joins: tuple[PlayedJoin, ...]
    ends: tuple[PlayedEnd, ...] = ()
    chokes: tuple[Choke, ...]
    unplayed_opcodes: tuple[str, ...]
    """Opcodes that would change the sound and that the player of the proof ignores."""
