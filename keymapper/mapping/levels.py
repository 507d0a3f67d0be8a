"""Gains that make the notes of an instrument even, and the one gain common to all."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Sequence
from statistics import median

MOST_GAIN_DB = 12.0


def even_gains_db(levels_db: Sequence[float], groups: Sequence[Hashable]) -> list[float]:
    """Return the gain that brings each note to the median level of its group, within ±12 dB."""
    members: dict[Hashable, list[float]] = defaultdict(list)
    for level, group in zip(levels_db, groups, strict=True):
        members[group].append(level)
    middle = {group: median(levels) for group, levels in members.items()}
    return [
        max(-MOST_GAIN_DB, min(MOST_GAIN_DB, middle[group] - level))
        for level, group in zip(levels_db, groups, strict=True)
    ]


def common_gain_db(peaks_dbfs: Sequence[float], target_peak_dbfs: float) -> float:
    """Return the gain that brings the loudest of all notes to the target peak."""
    return target_peak_dbfs - max(peaks_dbfs) if peaks_dbfs else 0.0
