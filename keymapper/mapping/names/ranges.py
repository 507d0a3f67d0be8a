"""Velocity ranges as names write them: "v1-63", "064_127", "lo64 hi127"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from keymapper.mapping.names.lexing import NamePieces, NoteText, Number, Piece
from keymapper.model.keys import HIGHEST_VELOCITY

_MOST_PLACES = 8
_LEAST_COVERAGE = 0.5

_Pair = tuple[Number, Number]


@dataclass(frozen=True, slots=True, kw_only=True)
class VelocityRanges:
    """The top of each file's range, and the text from its first number to its last."""

    tops: tuple[int | None, ...]
    pieces: tuple[Piece | None, ...]


def velocity_ranges(
    files: Sequence[NamePieces], notes: Sequence[NoteText | None]
) -> VelocityRanges | None:
    """Return the pairs of numbers that share out all velocities; None where no pairs do.

    Two ranges at least, from 0 or 1 up to 127, each of which begins where another has ended: no
    other numbers do that.
    """
    for depth in sorted({number.depth for file in files for number in file.numbers}):
        rows = [
            [n for n in file.numbers if n.depth == depth and not n.overlaps(note)]
            for file, note in zip(files, notes, strict=True)
        ]
        for place in (*range(_MOST_PLACES), *range(-2, -_MOST_PLACES, -1)):
            pairs = [_pair_at(row, place) for row in rows]
            if _share_out_velocities(pairs):
                return VelocityRanges(
                    tops=tuple(None if pair is None else pair[1].value for pair in pairs),
                    pieces=tuple(None if pair is None else _whole(pair) for pair in pairs),
                )
    return None


def _pair_at(row: Sequence[Number], place: int) -> _Pair | None:
    first = place if place >= 0 else len(row) + place
    return (row[first], row[first + 1]) if 0 <= first < len(row) - 1 else None


def _share_out_velocities(pairs: Sequence[_Pair | None]) -> bool:
    known = [pair for pair in pairs if pair is not None]
    ranges = sorted({(low.value, high.value) for low, high in known})
    return (
        len(ranges) > 1
        and len(known) >= _LEAST_COVERAGE * len(pairs)
        and ranges[0][0] <= 1 <= ranges[0][1]
        and ranges[-1][1] == HIGHEST_VELOCITY
        and all(low <= high for low, high in ranges)
        and all(below[1] + 1 == above[0] for below, above in pairwise(ranges))
    )


def _whole(pair: _Pair) -> Piece:
    low, high = pair
    return Piece(text=f"{low.text}-{high.text}", depth=low.depth, start=low.start, end=high.end)
