"""The names of a set side by side: what stands at the same place in each of them.

A column holds one entry a file, None where a name has nothing at that place. Places are counted
from the left, from the right, or outwards from the note name; which of the three lines a set up is
decided by what can be read from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from keymapper.mapping.names.lexing import NamePieces, NoteText, Number, Tag

# Names have a handful of fields; what lies further in is no pattern worth the time.
_MOST_PLACES = 8

Alignment = Literal["from the note", "from the left", "from the right"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberColumn:
    """Numbers at one place of the names; place grows from left to right within a depth."""

    depth: int
    place: int
    numbers: tuple[Number | None, ...]

    @property
    def values(self) -> tuple[int | None, ...]:
        """The number of each file."""
        return tuple(None if number is None else number.value for number in self.numbers)

    @property
    def known(self) -> list[int]:
        """The numbers of the files that have one."""
        return [number.value for number in self.numbers if number is not None]

    @property
    def distinct(self) -> int:
        """How many different numbers there are."""
        return len(set(self.known))

    @property
    def coverage(self) -> float:
        """Share (0..1) of the files that have a number here."""
        return len(self.known) / max(len(self.numbers), 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteColumn:
    """What may be note names at one place of the names."""

    notes: tuple[NoteText | None, ...]


def note_columns(files: Sequence[NamePieces]) -> list[NoteColumn]:
    """Return every column of possible note names, counted from the left and from the right."""
    columns: dict[tuple[NoteText | None, ...], None] = {}
    for depth in range(_depths(files)):
        rows = [[note for note in file.notes if note.depth == depth] for file in files]
        for place in range(min(max(map(len, rows)), _MOST_PLACES)):
            columns[tuple(row[place] if place < len(row) else None for row in rows)] = None
            columns[tuple(row[-1 - place] if place < len(row) else None for row in rows)] = None
    return [NoteColumn(notes=notes) for notes in columns]


def tagged_columns(files: Sequence[NamePieces], tag: Tag) -> list[NumberColumn]:
    """Return the columns of numbers that a word before them gives this meaning."""
    return _columns_of([_tagged_cells(file, tag) for file in files])


def _tagged_cells(file: NamePieces, tag: Tag) -> dict[tuple[int, int], Number]:
    cells: dict[tuple[int, int], Number] = {}
    for number in file.numbers:
        if number.tag == tag:
            place = sum(1 for depth, _ in cells if depth == number.depth)
            cells[number.depth, place] = number
    return cells


def bare_columns(
    files: Sequence[NamePieces], notes: Sequence[NoteText | None], alignment: Alignment
) -> list[NumberColumn]:
    """Return the columns of numbers without a tag that are not part of the note names."""
    cells = [_bare_cells(file, note, alignment) for file, note in zip(files, notes, strict=True)]
    return _columns_of(cells)


def _bare_cells(
    file: NamePieces, note: NoteText | None, alignment: Alignment
) -> dict[tuple[int, int], Number]:
    cells: dict[tuple[int, int], Number] = {}
    bare = [number for number in file.numbers if not number.tag and not number.overlaps(note)]
    for depth in {number.depth for number in bare}:
        row = [number for number in bare if number.depth == depth]
        origin = 0
        if alignment == "from the right":
            origin = len(row)
        elif alignment == "from the note" and note is not None and note.depth == depth:
            origin = sum(1 for number in row if number.start < note.start)
        for place, number in enumerate(row):
            cells[depth, place - origin] = number
    return cells


def _columns_of(cells: Sequence[dict[tuple[int, int], Number]]) -> list[NumberColumn]:
    """Return the columns in reading order: outer folders first, then left to right."""
    found = {at for row in cells for at in row if abs(at[1]) <= _MOST_PLACES}
    places = sorted(found, key=lambda at: (-at[0], at[1]))
    return [
        NumberColumn(
            depth=depth, place=place, numbers=tuple(row.get((depth, place)) for row in cells)
        )
        for depth, place in places
    ]


def _depths(files: Iterable[NamePieces]) -> int:
    depths = [piece.depth for file in files for piece in (*file.words, *file.numbers, *file.notes)]
    return max(depths, default=0) + 1
