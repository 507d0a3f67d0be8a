"""The names of a set read together: the way of counting places that gives the best reading wins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from keymapper.mapping.names.columns import (
    Alignment,
    NumberColumn,
    bare_columns,
    tagged_columns,
)
from keymapper.mapping.names.lexing import NamePieces, NoteText, Piece, Word
from keymapper.mapping.names.note_names import NoteNames
from keymapper.mapping.names.ranges import VelocityRanges, velocity_ranges
from keymapper.mapping.names.roles import (
    Setting,
    key_column,
    repeat_column,
    velocity_column,
)
from keymapper.mapping.names.velocities import (
    layer_velocities,
    numbered_layers,
    tagged_column,
    tagged_velocities,
)
from keymapper.mapping.names.words import velocity_of_dynamic

_ALIGNMENTS: tuple[Alignment, ...] = ("from the note", "from the left", "from the right")
_Column = tuple[int | None, ...]
RANGES = "ranges"
"""The way of velocities that are the tops of ranges."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One meaning read for every file, and what it was read from."""

    values: _Column
    pieces: tuple[Piece | None, ...]
    way: str

    @property
    def known(self) -> int:
        """How many files have it."""
        return sum(value is not None for value in self.values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the numbers and dynamics of a set mean.

    keys : MIDI numbers, also where note names stand beside them.
    """

    keys: Part | None
    velocities: Part | None
    repeats: Part | None
    setting: Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class SetNames:
    """The pieces of a set's names, its believed note names, and its words."""

    files: tuple[NamePieces, ...]
    note_names: NoteNames | None
    dynamics: tuple[Word | None, ...]
    setting: Setting

    @property
    def notes(self) -> tuple[NoteText | None, ...]:
        """The note name of each file."""
        nothing: tuple[NoteText | None, ...] = (None,) * len(self.files)
        return nothing if self.note_names is None else self.note_names.column.notes


def read_set(names: SetNames) -> Reading:
    """Return the reading that gives most meanings, tells most files apart and covers most."""
    return max((_read(names, alignment) for alignment in _ALIGNMENTS), key=_rank)


def _rank(reading: Reading) -> tuple[float, ...]:
    parts = [p for p in (reading.keys, reading.velocities, reading.repeats) if p is not None]
    setting = reading.setting
    apart = len(setting.groups(*(part.values for part in parts)))
    return (apart, len(parts), sum(part.known for part in parts))


def _read(names: SetNames, alignment: Alignment) -> Reading:
    ranges = velocity_ranges(names.files, names.notes)
    bare = bare_columns(names.files, names.notes, alignment)
    if ranges is not None:
        bare = [column for column in bare if not _is_within(column, ranges)]
    keys, bare = _read_keys(names, bare)
    setting = names.setting
    if names.note_names is None and keys is not None:
        setting = replace(setting, keys=keys.values)
    if ranges is not None:
        velocities: Part | None = Part(values=ranges.tops, pieces=ranges.pieces, way=RANGES)
    else:
        velocities, bare = _read_velocities(names, bare, setting)
    known = velocities.values if velocities is not None else (None,) * len(names.files)
    return Reading(
        keys=keys,
        velocities=velocities,
        repeats=_read_repeats(names, bare, setting, known),
        setting=setting,
    )


def _is_within(column: NumberColumn, ranges: VelocityRanges) -> bool:
    return any(
        number is not None and number.overlaps(piece)
        for number, piece in zip(column.numbers, ranges.pieces, strict=True)
    )


def _read_keys(names: SetNames, bare: list[NumberColumn]) -> tuple[Part | None, list[NumberColumn]]:
    tagged = tagged_columns(names.files, "key")
    if names.note_names is not None:
        column = _twin_of(names.note_names, [*tagged, *bare])
    else:
        column = key_column(tagged, names.setting) or key_column(bare, names.setting)
    if column is None:
        return None, bare
    return _part(column, "MIDI numbers"), [each for each in bare if each is not column]


def _twin_of(notes: NoteNames, columns: Sequence[NumberColumn]) -> NumberColumn | None:
    """Return the column that says the same keys as the note names, whole octaves apart."""
    for column in columns:
        differences = [
            value - key
            for value, key in zip(column.values, notes.keys, strict=True)
            if value is not None and key is not None
        ]
        if len(set(differences)) == 1 and column.distinct > 1 and abs(differences[0]) in (0, 12):
            return column
    return None


def _read_velocities(
    names: SetNames, bare: list[NumberColumn], setting: Setting
) -> tuple[Part | None, list[NumberColumn]]:
    tagged = tagged_column(tagged_columns(names.files, "velocity"))
    if tagged is not None:
        part = replace(_part(tagged, "numbers"), values=tagged_velocities(tagged, setting))
        if part.known:
            return part, bare
    dynamics = {word.text for word in names.dynamics if word is not None}
    # One dynamic throughout may be the initials of a patch ("PP_48_127"): numbers say more.
    column = velocity_column(bare, setting) if len(dynamics) < 2 else None
    if column is not None:
        return _part(column, "numbers"), [each for each in bare if each is not column]
    if dynamics:
        values = tuple(None if w is None else velocity_of_dynamic(w) for w in names.dynamics)
        return Part(values=values, pieces=names.dynamics, way="dynamics"), bare
    layers = numbered_layers(bare, setting)
    if layers is None:
        return None, bare
    column, is_falling = layers
    values = layer_velocities(column.values, is_falling=is_falling)
    part = replace(_part(column, "numbered layers"), values=values)
    return part, [each for each in bare if each is not column]


def _read_repeats(
    names: SetNames, bare: list[NumberColumn], setting: Setting, velocities: _Column
) -> Part | None:
    column = tagged_column(tagged_columns(names.files, "round_robin"))
    if column is None:
        column = repeat_column(bare, setting, velocities)
    if column is None:
        return None
    part = _part(column, "round robins")
    return replace(part, values=_counted_from_one(part.values, setting.groups(velocities)))


def _counted_from_one(values: _Column, groups: Sequence[Sequence[int]]) -> _Column:
    """Return the repeats from 1, also where they began at 0 or the first has no number."""
    lowest = min(value for value in values if value is not None)
    first_has_none = any(
        {None, 1} <= {values[index] for index in group} for group in groups if lowest == 1
    )
    shift = 1 if lowest == 0 or first_has_none else 0
    return tuple(1 if value is None else value + shift for value in values)


def _part(column: NumberColumn, way: str) -> Part:
    return Part(values=column.values, pieces=column.numbers, way=way)
