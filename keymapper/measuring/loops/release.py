"""When a key was let go, told by the level: a long release is no part of the sustain."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.blocks import BLOCK_SECONDS

_PART_BLOCKS = 10
_AROUND_PARTS = 2
"""The upper envelope is the loudest of so many parts to both sides, over gates and quick beats."""
_PART_SECONDS = _PART_BLOCKS * BLOCK_SECONDS
_RISEN_BELOW_PEAK_DB = 6.0
_LEAST_LINE_PARTS = 3
_LEAST_HELD_PARTS = 10
_LEAST_HELD_BLOCKS = 120
_MOST_HELD_FALL_DB = 8.0
"""Plucks in a reverberation stand still too, but neither for so long nor so well."""
_LEAST_FALL_DB = 12.0
_LEAST_DB_A_SECOND = 4.0
_STEEPER_RATIO, _STEEPER_DB_A_SECOND = 2.0, 2.0
"""A release falls so many times faster than the sound it ends, and by so much more."""
_ROUGH_SHARE, _ROUGH_DB = 0.12, 0.5
"""A release leaves no more than this share of its fall beside its line, and so much."""
_STILL_HELD_DB = 2.0


def release_block(levels_db: np.ndarray) -> int | None:
    """Return the first block of a long release; None where none is seen.

    Two straight lines, one after the other, are drawn through the upper envelope so that least is
    left. The second is a release where it falls far, evenly, and much faster than the first, and
    the first is as long and as level as a held key makes it. The release begins after the last
    block that is as loud as the sound was while it was held.

    levels_db : of every 10 ms, from the onset to where the sound is lost.
    """
    count = len(levels_db) // _PART_BLOCKS
    if count < _LEAST_HELD_PARTS + _LEAST_LINE_PARTS:
        return None
    envelope = _upper_envelope(levels_db[: count * _PART_BLOCKS])
    risen = int(np.argmax(envelope >= envelope.max() - _RISEN_BELOW_PEAK_DB))
    envelope = envelope[risen:]
    bend = _bend(envelope)
    if bend is None or not _is_release(envelope[:bend], envelope[bend:]):
        return None
    held_db = envelope[: max(1, 2 * bend // 3)].min() - _STILL_HELD_DB
    last = (risen + bend + 1) * _PART_BLOCKS
    held = np.flatnonzero(levels_db[:last] >= held_db)
    return int(held[-1]) + 1 if len(held) and held[-1] > _LEAST_HELD_BLOCKS else None


def _upper_envelope(levels_db: np.ndarray) -> np.ndarray:
    parts = levels_db.reshape(-1, _PART_BLOCKS).max(axis=1)
    padded = np.pad(parts, _AROUND_PARTS, mode="edge")
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * _AROUND_PARTS + 1)
    return np.asarray(around.max(axis=1))


def _bend(envelope: np.ndarray) -> int | None:
    """Return where the second of the two lines that leave least begins; None if it is too short."""
    least = _LEAST_LINE_PARTS
    if len(envelope) < _LEAST_HELD_PARTS + least:
        return None
    before, after = _left_by_line(envelope), _left_by_line(envelope[::-1])[::-1]
    left = before[least - 1 : -least - 1] + after[least:-least]
    bend = least + int(np.argmin(left))
    return bend if bend >= _LEAST_HELD_PARTS else None


def _left_by_line(values: np.ndarray) -> np.ndarray:
    """Return the squares that the best line through the first 1, 2, … values leaves in sum."""
    count, place = np.arange(1, len(values) + 1), np.arange(len(values), dtype=float)
    x, y, xx, xy, yy = (
        np.cumsum(one) for one in (place, values, place**2, place * values, values**2)
    )
    spread = np.maximum(xx - x * x / count, 1e-9)
    return np.asarray(np.maximum(yy - y * y / count - (xy - x * y / count) ** 2 / spread, 0.0))


def _is_release(held: np.ndarray, falling: np.ndarray) -> bool:
    """Say whether one stretch of envelope is the release of another."""
    place = np.arange(len(falling))
    line = np.polyfit(place, falling, 1)
    thirds = [float(np.median(part)) for part in np.array_split(held, 3)]
    before = (thirds[2] - thirds[1]) / (len(held) / 3 * _PART_SECONDS)
    after = float(line[0]) / _PART_SECONDS
    fall = float(np.median(held[len(held) // 3 :])) - float(falling[-_LEAST_LINE_PARTS:].mean())
    rough = float(np.std(falling - np.polyval(line, place)))
    held_fall = float(held.max() - np.median(held[-_LEAST_LINE_PARTS:]))
    return (
        after <= min(-_LEAST_DB_A_SECOND, _STEEPER_RATIO * before - _STEEPER_DB_A_SECOND)
        and fall >= _LEAST_FALL_DB
        and held_fall <= _MOST_HELD_FALL_DB
        and rough <= _ROUGH_SHARE * fall + _ROUGH_DB
    )
