"""What an audit says: rules, findings, and how a set has drifted.

Cents say how sharp a note plays of its key at the reference; a correction is their negative.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning", "note"]
GRAVITY: dict[Severity, int] = {"error": 3, "warning": 2, "note": 1}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One place where a rule found something."""

    rule: str
    severity: Severity
    pack: str
    """Folder of the pack, relative to what was audited; "." is that itself."""
    file: str | None
    """Relative to the pack's folder, with `/`; None where it concerns no single file."""
    zone: str | None
    """Keys and velocities of the zone, and its line in the SFZ file."""
    measured: float | str | None
    limit: float | str | None
    unit: str
    message: str
    fix: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unjudged:
    """Something a rule could not judge, and why."""

    rule: str
    pack: str
    file: str | None
    zone: str | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleChange:
    """A rule that was switched off, or whose limit or severity was moved."""

    rule: str
    reason: str
    off: bool = False
    limit: float | None = None
    severity: Severity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningRow:
    """How one note plays, and how the diagnosis explains it."""

    file: str
    zone: str
    key: int
    velocity: int | None
    round_robin: int | None
    minutes: float | None
    """Place in the recording: minutes, or notes where only the order is known."""
    measured_cents: float | None
    """None where no pitch could be trusted."""
    error_cents: float | None
    explained_cents: float | None
    rest_cents: float | None
    outlier: bool
    reason: str
    """Why there is no figure; "" where there is one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A fitted figure and the half width of its 95 % interval."""

    value: float
    error: float


OrderSource = Literal["session sheet", "bext time stamps", "numbers in names", "file times", "none"]
CourseKind = Literal["none", "straight", "settling"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmUp:
    """How the whole set moved while it was recorded.

    Straight: it sank by `depth_cents` from the first note to the last. Settling: it sank by
    `depth_cents` in all, exponentially, with a time constant. Negative: it rose.
    """

    kind: CourseKind
    depth_cents: Estimate
    settling_minutes: float | None
    """Time constant of the settling; in notes where only the order is known."""
    span_minutes: float
    """From the first note to the last, in the same unit."""
    in_minutes: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """Share (0 … 1) of the spread of the deviations each cause takes away by itself."""

    slope: float
    warm_up: float
    velocity: float
    rest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Why a set of notes deviates: a robust fit of all that is common to it.

    deviation = offset + slope × (key − 60) / 12 + warm-up + velocity × (v − 100) / 100 + rest,
    with the warm-up falling to 0 at the end of the recording.
    """

    set_name: str
    notes: int
    offset_cents: Estimate
    """At key 60 and velocity 100, once the pitch has settled (at the last note)."""
    middle_cents: float
    """Median of the fit over all notes: what tuning the set as a whole has to take away."""
    slope_cents_per_octave: Estimate
    warm_up: WarmUp | None
    """None where no recording order is known, or nothing is to be seen of it."""
    velocity_cents: Estimate | None
    """Of the hardest notes over the softest; None with one layer."""
    rest_cents: float
    """Robust standard deviation of what is left."""
    explained: Explained
    outliers: tuple[str, ...]
    """Files that do not fit."""
    order_from: OrderSource
    inseparable: tuple[str, ...]
    """Causes the notes cannot tell apart, for example because keys were recorded upwards."""
    sentence: str
    advice: tuple[str, ...]
    notes_table: tuple[TuningRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSummary:
    """One pack of an audit in one row."""

    pack: str
    verdict: str
    instruments: tuple[str, ...]
    samples: int
    zones: int
    errors: int
    warnings: int
    notes: int
    diagnoses: tuple[Diagnosis, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mended:
    """One thing that was changed in the corrected copy."""

    pack: str
    file: str
    zone: str | None
    what: str
    """An opcode, a chunk of the file, or "name"."""
    before: str
    after: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditReport:
    """All that an audit says, as `--json` prints it."""

    format: Literal["keymapper-audit"] = "keymapper-audit"
    format_version: Literal[1] = 1
    tool_version: str
    verdict: str
    diagnosis: Diagnosis | None
    """Of the set, where there is one set; several stand with their packs."""
    findings: tuple[Finding, ...]
    """Worst first."""
    unjudged: tuple[Unjudged, ...]
    changes: tuple[RuleChange, ...]
    packs: tuple[PackSummary, ...]
    mended: tuple[Mended, ...] = ()
    """What was changed in the corrected copy, where one was written."""

    def counts(self) -> dict[str, int]:
        """Return how many findings there are of each severity."""
        return {
            severity: sum(finding.severity == severity for finding in self.findings)
            for severity in GRAVITY
        }
