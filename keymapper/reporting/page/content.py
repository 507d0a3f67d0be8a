"""What a page shows, as plain data: filled from an instrument or from an audit.

Cents say how sharp something plays. Times are seconds of the sample. ``None`` means "was not
measured" or "does not apply".
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from keymapper.model.finding import Diagnosis, Severity, TuningRow
from keymapper.model.instrument import Zone
from keymapper.model.proof import Proof


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundPlace:
    """Where something was found, and how far it is off."""

    where: str
    measured: str = ""
    """Figure with its unit, as text."""
    note: int | None = None
    """Which of the page's notes it is about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attention:
    """One thing that needs attention, with the one thing to do."""

    severity: Severity
    what: str
    action: str
    places: tuple[FoundPlace, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wave:
    """The course of a waveform: lowest and highest value in each of equal stretches."""

    lows: np.ndarray
    highs: np.ndarray
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoinView:
    """Both sides of a loop's join, around it, at the sample's own rate or a fraction of it.

    ``played`` is what is heard: up to the loop's end, then on from its start. ``before_start`` is
    what lies before the loop's start, to be compared with what is played before its end.
    """

    milliseconds: np.ndarray
    """0 is the join."""
    played: np.ndarray
    before_start: np.ndarray
    after_end: np.ndarray
    """What lies after the loop's end, to be compared with what is played from its start."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PitchView:
    """Pitch over time, against the pitch of the note as a whole."""

    seconds: np.ndarray
    cents: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """Sound embedded in the page: FLAC in base64, at the sample's own rate."""

    base64: str
    channels: int
    shortened: bool
    """Whether parts between onset and join were cut out to save room."""
    start_frame: int
    """Loop within the preview, half-open; both 0 where there is none."""
    end_frame: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SampleView:
    """What is drawn and heard of one sample file."""

    rate: int
    frames: int
    wave: Wave
    join: JoinView | None
    pitch: PitchView | None
    preview: Preview | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FolderData:
    """What was gathered from sample files, by their path from the page."""

    views: dict[str, SampleView] = field(default_factory=dict)
    total_bytes: int = 0
    """Of all samples on disk."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A moment in a sample, and its name."""

    seconds: float
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PageNote:
    """One recorded note."""

    name: str
    """As the recording is called."""
    sample: str
    """Path from the page to the sample, with `/`."""
    root_key: int
    tuning_cents: float | None
    """As recorded, against the root key."""
    error_cents: float | None
    recorded_dbfs: float
    """Of what goes on sounding, or the loudest 400 ms of what decays, as recorded."""
    join_db: float | None
    """Over (+) or under (-) the threshold of hearing; None without a loop."""
    f0_hz: float | None
    rate: int
    marks: tuple[Mark, ...]
    loop_seconds: tuple[float, float] | None
    bands_db: tuple[float, ...]
    facts: tuple[tuple[str, str], ...]
    """What was found out and decided, as (name, text)."""
    remark: str
    """Why the loop is where it is, or why there is none."""
    view: SampleView | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PageZone:
    """One zone of the map, with the note it plays."""

    zone: Zone
    note: int
    layer: int
    """Which part of the map it is drawn in."""
    played_dbfs: float
    """The same as it is mapped, after all gains but that of the velocity."""
    instrument: int = 0
    """Zones of one instrument sound together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningSet:
    """How the notes of one set are tuned, and the diagnosis, where one was made."""

    name: str
    rows: tuple[TuningRow, ...]
    notes: dict[str, int]
    """Which note of the page each file is."""
    corrected: bool
    """Whether what is drawn has been taken away, as a build does."""
    diagnosis: Diagnosis | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PageContent:
    """Everything on one page."""

    title: str
    kind: str
    """What the page is about, for example "instrument"."""
    verdict: str
    grave: Severity | None
    """The gravest thing that was found; None where all is well."""
    figures: tuple[tuple[str, str], ...]
    """A few figures at a glance, as (name, text)."""
    attention: tuple[Attention, ...]
    layers: tuple[str, ...]
    """Names of the parts of the map; "" for one that needs none."""
    zones: tuple[PageZone, ...]
    notes: tuple[PageNote, ...]
    tuning: tuple[TuningSet, ...]
    proof: Proof | None
    origin: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]
    """Where it came from: headed groups of (name, text)."""
    remark: str = ""
    """What this page leaves out."""
