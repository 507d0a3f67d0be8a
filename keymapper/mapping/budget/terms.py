"""What a budget is decided from, and what the decision says."""

from __future__ import annotations

from dataclasses import dataclass, field

from keymapper.mapping.placing import Place
from keymapper.model.recipe import ZoneSettings
from keymapper.model.shape import Shape
from keymapper.model.tone import Tone

LOWER_RATES_HZ = (44_100, 32_000, 22_050, 16_000)
LOWER_BITS = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepableNote:
    """A note that may be kept or left out."""

    tone: Tone
    rate: int
    channels: int
    """Of the sample as it would be written."""
    shapes: tuple[Shape, ...]
    """In full first."""
    stack: int = 0
    """Notes of different stacks sound together and never stand in for each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLimits:
    """How large an instrument may be, and what may be given up for it.

    Sizes are those of decoded samples held at their own depth: frames · channels · bits / 8.
    """

    most_bytes: int | None = None
    most_notes: int | None = None
    bits: int = 24
    """Of the samples in full."""
    may_fold: bool = True
    """Two channels to one, for the instrument as a whole."""
    may_lower_bits: bool = True
    """To 16, for the instrument as a whole."""
    may_lower_rates: bool = True
    may_shorten: bool = True
    interchangeable: bool = True
    """Whether notes may stand in for each other; one-shots may not."""
    zones: ZoneSettings = field(default_factory=ZoneSettings)
    """How keys go to roots."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment:
    """How a kept note is written."""

    note: int
    """As places count them."""
    shape: int
    """Index into the note's shapes."""
    rate: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetPlan:
    """What stays, where it plays, and what was given up.

    Distances are those of `model.hearing`, of every key of every layer, from how it sounds in the
    instrument in full.
    """

    places: tuple[Place, ...]
    """Of the kept notes only; together they cover what the places in full do."""
    treatments: tuple[Treatment, ...]
    """One a kept note, rising."""
    folded: bool
    bits: int
    size_bytes: int
    full_bytes: int
    worst_db: float
    mean_db: float
    given_up_of: tuple[tuple[str, ...], ...]
    """Of each stack, in plain words, the gravest first; empty where all fits."""
