"""What rules look at: a pack, parsed and measured; rules touch no disk.

A pack holds samples and instruments, an instrument holds zones, a zone plays one sample. A folder
of bare recordings has one instrument that is not mapped: what its names say, one zone a file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from keymapper.formats.sfz import SfzProblem, SfzRegion
from keymapper.mapping.names.hints import Contradiction, NameHint
from keymapper.measuring.cycle import is_cycle
from keymapper.model.keys import (
    HIGHEST_KEY,
    HIGHEST_VELOCITY,
    LOWEST_KEY,
    LOWEST_VELOCITY,
    key_name,
)
from keymapper.model.loop import Loop
from keymapper.model.sample_facts import JudgedLoop, SampleFacts

LoopSource = Literal["opcodes", "file", "whole file"]
LOOPING = ("loop_continuous", "loop_sustain")


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSample:
    """One audio file of a pack."""

    file: str
    """Relative to the pack's folder, with `/`."""
    facts: SampleFacts | None
    unreadable: str
    """Why there are no facts; "" where there are."""
    mapped: bool
    """Whether an instrument plays it at a place of its own."""
    looped: bool
    """Whether some zone loops it, so that its tail is never reached."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Deviation:
    """How sharp a zone plays of its own key, or why that cannot be said."""

    cents: float | None
    """The tuning and octave the set has as a whole are not taken off."""
    error_cents: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PackZone:
    """One zone of an instrument."""

    instrument: str
    region: SfzRegion
    file: str | None
    """None where the sample was not found."""
    sample: PackSample | None
    root_key: int
    """The key at which the sample plays as it is."""
    target_cents: float
    loop: JudgedLoop | None
    loop_from: LoopSource | None
    deviation: Deviation
    hint: NameHint | None
    mapped: bool
    shares_file: bool = False
    """Whether its file holds other sounds too; the facts are those of its own."""
    part: int = 0
    """Number of the articulation, layer or side of a split it belongs to."""
    part_cents: float = 0.0
    """How far that part lies from the rest of the set, as it is made: no fault."""

    @property
    def facts(self) -> SampleFacts | None:
        """Facts of the sample, where it could be read."""
        return None if self.sample is None else self.sample.facts

    @property
    def is_wave(self) -> bool:
        """Whether it plays a cycle of a wave: made by the player, or a short file looped whole."""
        if self.region.is_generator:
            return True
        if self.facts is None or self.loop is None:
            return False
        return is_cycle(self.loop.loop, self.facts.frames, self.facts.rate)

    @property
    def natural_key(self) -> int:
        """The key on which the sample is played neither faster nor slower, all tuning told."""
        region = self.region
        if region.pitch_keytrack_cents == 0:
            return self.root_key
        cents = region.tune_cents + 100.0 * region.transpose_semitones
        return self.root_key - round(cents / region.pitch_keytrack_cents)

    @property
    def keys(self) -> range:
        """Those of its keys that a keyboard has."""
        return range(max(LOWEST_KEY, self.region.lokey), min(HIGHEST_KEY, self.region.hikey) + 1)

    @property
    def velocities(self) -> range:
        """Those of its velocities that a key can be struck with."""
        low, high = self.region.lovel, self.region.hivel
        return range(max(LOWEST_VELOCITY, low), min(HIGHEST_VELOCITY, high) + 1)

    @property
    def label(self) -> str:
        """Keys, velocities, turn and line, for people."""
        region = self.region
        if not self.mapped:
            return key_name(self.root_key)
        low, high = key_text(region.lokey), key_text(region.hikey)
        keys = low if low == high else f"{low}–{high}"
        velocities = f" v{region.lovel}–{region.hivel}"
        turn = f" rr{region.seq_position}/{region.seq_length}" if region.seq_length > 1 else ""
        where = f" {region.included}" if region.included else ""
        line = "" if region.line is None else f"{where} line {region.line}"
        return f"{keys}{velocities}{turn}{line}"

    @property
    def layer(self) -> tuple[int, int, int, int]:
        """What zones share that are compared from key to key."""
        region = self.region
        return (self.part, region.lovel, region.hivel, region.seq_position)


def key_text(key: int) -> str:
    """Return the name of a key, or the number of what is none."""
    return key_name(key) if 0 <= key <= 127 else str(key)


@dataclass(frozen=True, slots=True, kw_only=True)
class PackInstrument:
    """The zones of one SFZ file or manifest, or of a folder of recordings."""

    name: str
    """The SFZ file or manifest, relative to the pack; "" for recordings."""
    mapped: bool
    zones: tuple[PackZone, ...]
    problems: tuple[SfzProblem, ...]
    unknown_opcodes: tuple[str, ...]
    contradictions: tuple[Contradiction, ...]
    """Between names and sound."""
    tuned: bool
    """False for one-shots, whose keys say nothing about their pitch."""
    offset_semitones: int
    """How far the whole set sounds above its keys."""
    reference_hz: float
    unreadable: str
    """Why the file could not be read; "" where it could."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """Everything of one pack."""

    name: str
    samples: tuple[PackSample, ...]
    instruments: tuple[PackInstrument, ...]
    unused: tuple[str, ...]
    files: tuple[str, ...]
    links_out: tuple[str, ...]
    unnamable: tuple[str, ...]
    """Files whose names are no valid text, spelled out."""

    def zones(self) -> Iterator[PackZone]:
        """Yield the zones of all instruments."""
        for instrument in self.instruments:
            yield from instrument.zones


def own_cents(instrument: PackInstrument, zone: PackZone) -> float:
    """Return how sharp a zone plays once what its set and its part share by intent is taken off."""
    return (zone.deviation.cents or 0.0) - 100.0 * instrument.offset_semitones - zone.part_cents


def loop_of(zone: PackZone) -> Loop | None:
    """Return the loop a zone plays, whether or not it can."""
    return None if zone.loop is None else zone.loop.loop
