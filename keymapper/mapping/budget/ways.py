"""The ways to keep the notes of one root: each smaller than the one before, and heard more."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from keymapper.mapping.budget.layers import Root
from keymapper.mapping.budget.terms import (
    LOWER_BITS,
    LOWER_RATES_HZ,
    BudgetLimits,
    KeepableNote,
)
from keymapper.model.hearing import folding_loss_db, noise_loss_db, rate_loss_db

LEAST_LOSS_DB = 0.05
"""Of anything given up, so that nothing is without need."""
FOLDING_WEIGHT = 2.0
"""A lost side is missed more than a change of colour as large."""
SMALLER_RATIO = 0.93
"""Of two ways nearer in size than this, only the better is looked at."""
_LOWER_BITS_NOISE_DBFS = -96.3
"""Of 16 bits with triangular dither."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """What is decided for the instrument as a whole."""

    folded: bool
    bits: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How the notes of one root are kept."""

    turns: int
    shape: int
    rate: int
    size_bytes: int
    loss_db: float


def commons(notes: Sequence[KeepableNote], limits: BudgetLimits) -> Iterator[Common]:
    """Yield what may be decided for the instrument as a whole, in full first."""
    if limits.most_bytes is None:
        yield Common(folded=False, bits=limits.bits)
        return
    folds = limits.may_fold and any(note.channels > 1 for note in notes)
    lower = limits.may_lower_bits and limits.bits > LOWER_BITS
    for folded in (False, True) if folds else (False,):
        for bits in (limits.bits, LOWER_BITS) if lower else (limits.bits,):
            yield Common(folded=folded, bits=bits)


def note_bytes(note: KeepableNote, shape: int, rate: int, common: Common) -> int:
    """Return the size of a decoded sample."""
    frames = math.ceil(note.shapes[shape].frames * rate / note.rate)
    return frames * (1 if common.folded else note.channels) * common.bits // 8


def ways_of(
    root: Root, notes: Sequence[KeepableNote], common: Common, limits: BudgetLimits
) -> list[Way]:
    """Return the ways worth looking at, from the least heard to the smallest."""
    members = [notes[place.note] for place in root.places]
    fixed = _common_loss_db(members[0], common, limits)
    shrinks = limits.most_bytes is not None
    shapes = range(min(len(n.shapes) for n in members) if limits.may_shorten and shrinks else 1)
    found = [
        Way(
            turns=turns,
            shape=shape,
            rate=rate,
            size_bytes=sum(
                note_bytes(n, shape, min(rate, n.rate), common) for n in members[:turns]
            ),
            loss_db=math.hypot(
                fixed,
                _turns_loss_db(root, turns),
                _given_up(max(n.shapes[shape].loss_db for n in members[:turns]), shape > 0),
                _given_up(rate_loss, rate < members[0].rate),
            ),
        )
        for rate, rate_loss in _rates(members, limits.may_lower_rates and shrinks)
        for shape in shapes
        for turns in range(1, len(members) + 1)
    ]
    return _worth_looking_at(found)


def _worth_looking_at(found: Sequence[Way]) -> list[Way]:
    """Drop what is no smaller than something better, and what is hardly smaller."""
    kept: list[Way] = []
    for way in sorted(found, key=lambda one: (one.loss_db, one.size_bytes, -one.turns)):
        if not kept or way.size_bytes < SMALLER_RATIO * kept[-1].size_bytes:
            kept.append(way)
    return kept


def _rates(members: Sequence[KeepableNote], may_lower: bool) -> list[tuple[int, float]]:
    own = members[0].rate
    rates = [own, *(rate for rate in LOWER_RATES_HZ if rate < own and may_lower)]
    return [(rate, max(rate_loss_db(n.tone, rate) for n in members)) for rate in rates]


def _turns_loss_db(root: Root, turns: int) -> float:
    """Loss of variety: all of what the turns differ by, where only one is left."""
    count = len(root.places)
    if turns == count:
        return 0.0
    return _given_up(root.turn_distance_db * (count - turns) / (count - 1), True)


def _common_loss_db(note: KeepableNote, common: Common, limits: BudgetLimits) -> float:
    folding = FOLDING_WEIGHT * folding_loss_db(note.tone) if common.folded else 0.0
    noise = noise_loss_db(note.tone, _LOWER_BITS_NOISE_DBFS, note.rate)
    lower = common.bits < limits.bits
    return math.hypot(
        _given_up(folding, common.folded and note.channels > 1),
        _given_up(noise if lower else 0.0, lower),
    )


def _given_up(loss_db: float, anything: bool) -> float:
    return max(loss_db, LEAST_LOSS_DB) if anything else 0.0
