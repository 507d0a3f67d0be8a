"""A pack: what its maker declares, what is in it, and what was found out about it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from keymapper.model.finding import Severity

PhraseKind = Literal["chords", "bass", "melody", "pluck", "hits"]
PreviewChoice = Literal["auto", "chords", "bass", "melody", "pluck", "hits", "none"]
BalanceChoice = Literal["even", "as-built"]

OWN_RECORDING = "own"
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_VERSION = re.compile(r"[0-9A-Za-z][0-9A-Za-z.+-]{0,30}")
_LICENCE = re.compile(r"[A-Za-z0-9][A-Za-z0-9.+-]{0,63}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundSource:
    """Where sounds of an instrument come from, as the maker declares it."""

    what: str
    """For example "all recordings"."""
    rights: str
    """"own" for a recording of one's own, else the licence's SPDX id, or LicenseRef-NAME."""
    credit: str = ""
    """Whom to name, where the licence asks for it."""
    passing_on: bool | None = None
    """Whether a licence of its own (LicenseRef-…) allows passing the sounds on and selling them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredInstrument:
    """One instrument of the pack."""

    folder: str
    """Relative to the pack recipe: a built instrument (or its SFZ file, where a folder holds
    several), or recordings (with their recipe.toml, or the recipe in their folder by another name).
    """
    sources: tuple[SoundSource, ...] = ()
    name: str | None = None
    """None takes the instrument's own."""
    description: str = ""
    preview: PreviewChoice = "auto"
    """The phrase that is played; "auto" goes by what the instrument is."""
    midi: str | None = None
    """A MIDI file to play instead, relative to the pack recipe."""
    balance_db: float = 0.0
    """On top of what evens the instruments."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiver:
    """A warning that the maker lets stand, and why; it is printed in the documents."""

    rule: str
    """Its id, or the family it belongs to."""
    reason: str
    instrument: str | None = None
    file: str | None = None

    def __post_init__(self) -> None:
        """Refuse a waiver without a reason."""
        if not self.reason.strip():
            raise ValueError("a waiver needs a reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    """One version of the pack and what changed in it."""

    version: str
    date: str
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Edition:
    """One archive: the whole pack, in full or made smaller."""

    name: str
    bits: Literal[16, 24] | None = None
    """Of the samples; None leaves them as they are."""
    mono: bool = False
    """Whether the two sides are folded to one."""
    budget_mb: float | None = None
    """Most that the audio of all samples may take, decoded, in MB of 1 000 000 bytes.

    Instruments that are given as recordings are built smaller for it."""

    def __post_init__(self) -> None:
        """Refuse an edition that nothing fits in."""
        if not self.name.strip():
            raise ValueError("an edition needs a name")
        if self.budget_mb is not None and not self.budget_mb > 0:
            raise ValueError("budget_mb must be above 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class PackRecipe:
    """What the maker declares about a pack, as it stands in PACK.toml."""

    title: str
    version: str
    maker: str
    year: int
    licence: str
    """An SPDX id, or LicenseRef-NAME with `licence_file`."""
    instrument: tuple[DeclaredInstrument, ...]
    licence_file: str | None = None
    """The licence's text, relative to the pack recipe."""
    contact: str = ""
    released: str = ""
    """The day, as 2026-11-25; written into the samples."""
    description: str = ""
    credits: tuple[str, ...] = ()
    cover: str | None = None
    """A PNG or JPEG, relative to the pack recipe."""
    balance: BalanceChoice = "even"
    edition: tuple[Edition, ...] = (Edition(name="full"),)
    waiver: tuple[Waiver, ...] = ()
    history: tuple[Release, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what no pack can be made of."""
        for name in ("title", "maker"):
            if not getattr(self, name).strip():
                raise ValueError(f"{name} must not be empty")
        if not _VERSION.fullmatch(self.version):
            raise ValueError(f'version {self.version!r} must be like "1.0"')
        if not _LICENCE.fullmatch(self.licence):
            raise ValueError(f"licence {self.licence!r} must be an SPDX id or LicenseRef-NAME")
        if not 1900 <= self.year <= 9999:
            raise ValueError("year must be like 2026")
        if self.released and not _DAY.fullmatch(self.released):
            raise ValueError(f'released {self.released!r} must be like "2026-11-25"')
        if not self.instrument:
            raise ValueError("a pack needs an [[instrument]]")
        if not self.edition:
            raise ValueError("a pack needs an [[edition]], or leave them all out")


@dataclass(frozen=True, slots=True, kw_only=True)
class PackFinding:
    """One thing that stands in the way of a pack, or that was let stand."""

    rule: str
    severity: Severity
    where: str
    """Instrument, file or archive."""
    message: str
    fix: str
    waived: str = ""
    """The maker's reason; "" where it is not waived."""
    instrument: str = ""
    """Of which audit and proof say it, as `where` begins then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentFacts:
    """What a buyer wants to know about an instrument."""

    low_key: int
    high_key: int
    zones: int
    samples: int
    velocity_layers: int
    round_robins: int
    voices: int
    """Most samples that sound together for one note."""
    controls: tuple[str, ...]
    """With their numbers."""
    switches: tuple[str, ...] = ()
    """Keys that choose an articulation, with its name where it has one."""
    looped: bool
    one_shots: bool
    rates: tuple[int, ...]
    bits: tuple[int, ...]
    channels: tuple[int, ...]
    file_bytes: int
    audio_bytes: int
    """Of all samples, decoded to their own bits."""
    memory_bytes: int
    """Of all samples decoded to floats of 32 bits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviewFacts:
    """What was measured of an instrument's phrase before it was levelled for listening."""

    kind: str
    """The phrase, or "midi"."""
    seconds: float
    loudness_lufs: float
    """Integrated loudness of ITU-R BS.1770, with the instrument as it was built."""
    true_peak_dbtp: float
    brightness_hz: float
    """Centre of gravity of the spectrum."""
    width_percent: float
    """Share of the sides' difference in the power: 0 is mono."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedInstrument:
    """An instrument as it lies in the pack."""

    name: str
    sfz: str
    """Relative to the pack's top folder, with `/`."""
    has_manifest: bool
    """Whether a manifest lies beside the SFZ."""
    description: str
    facts: InstrumentFacts
    preview: PreviewFacts | None
    gain_db: float
    """Evens the instruments of the pack; part of every zone's volume."""
    sources: tuple[SoundSource, ...]
    proof: str
    """Its verdict in one sentence."""
    waived: tuple[PackFinding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedFile:
    """A file of the pack."""

    file: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PackManifest:
    """Everything about a pack in one file."""

    format: Literal["keymapper-pack"] = "keymapper-pack"
    format_version: Literal[1] = 1
    tool_version: str
    title: str
    version: str
    edition: str
    maker: str
    year: int
    released: str
    contact: str
    licence: str
    description: str
    credits: tuple[str, ...]
    rights_note: str
    instruments: tuple[PackedInstrument, ...]
    history: tuple[Release, ...]
    renamed: tuple[tuple[str, str], ...]
    """Files whose names were made safe: before and after."""
    files: tuple[PackedFile, ...]
    """All but this file and SHA256SUMS, in the order of the archive."""
