"""Gains that keep the notes of an instrument even, and the one gain common to all."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from keymapper.model.recipe import LevelChoice

MOST_GAIN_DB = 12.0
STICKS_OUT_DB = 0.5
_LEAST_KEYS = 5
_SPAN = 2 / 3
"""Of the points, to each local line."""
_ROBUST_ROUNDS = 4
_TRUSTED = 0.5
"""Bisquare weight of a point that is no outlier."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelNote:
    """What evening levels needs to know of a note."""

    key: int
    level_db: float
    group: tuple[str, int]
    """Notes are compared within their group: one trigger and velocity layer, by lowest velocity."""


def level_gains_db(notes: Sequence[LevelNote], choice: LevelChoice) -> list[float]:
    """Return the gain of each note, within ±12 dB.

    "recorded" leaves all as they are; "smooth" brings what sticks out by more than 0.5 dB from a
    smooth curve over the keys back to it; "even" brings every note to the median of its group.
    """
    gains = [0.0] * len(notes)
    if choice == "recorded":
        return gains
    members: dict[tuple[str, int], list[int]] = defaultdict(list)
    for index, note in enumerate(notes):
        members[note.group].append(index)
    for group in members.values():
        levels = [notes[i].level_db for i in group]
        if choice == "even":
            targets = [median(levels)] * len(group)
        else:
            targets = _smooth_targets([notes[i].key for i in group], levels)
        for i, level, target in zip(group, levels, targets, strict=True):
            gains[i] = max(-MOST_GAIN_DB, min(MOST_GAIN_DB, target - level))
    return gains


def drum_gains_db(notes: Sequence[LevelNote], choice: LevelChoice) -> list[float]:
    """Return the gain of each hit of one-shots, within ±12 dB, the same for all hits of a key.

    Drums have nothing to do with their neighbours on the keys, so that "smooth" leaves them as
    they were recorded; "even" brings the loudest hits of each to the median of all drums.
    """
    if choice != "even" or not notes:
        return [0.0] * len(notes)
    loudest: dict[int, float] = {}
    for note in sorted(notes, key=lambda one: (one.group, one.level_db)):
        loudest[note.key] = note.level_db
    target = median(loudest.values())
    return [max(-MOST_GAIN_DB, min(MOST_GAIN_DB, target - loudest[note.key])) for note in notes]


def _smooth_targets(keys: Sequence[int], levels_db: Sequence[float]) -> list[float]:
    if len(set(keys)) < _LEAST_KEYS:
        return list(levels_db)
    curve = smooth_curve(keys, levels_db)
    return [
        target if abs(target - level) > STICKS_OUT_DB else level
        for target, level in zip(curve, levels_db, strict=True)
    ]


def smooth_curve(keys: Sequence[float], values: Sequence[float]) -> list[float]:
    """Return a smooth curve through values over keys, at those keys, untouched by outliers.

    Locally weighted straight lines over two thirds of the points, robust by bisquare weights
    (Cleveland 1979, "LOWESS").

    keys, values : at least two points; keys may repeat.
    """
    x, y = np.asarray(keys, dtype=float), np.asarray(values, dtype=float)
    span = max(4, int(np.ceil(_SPAN * len(x))))
    distance = np.abs(x[:, None] - x[None, :])
    reach = np.sort(distance, axis=1)[:, min(span, len(x)) - 1] + 1e-9
    near = (1 - np.minimum(1, distance / (1.001 * reach[:, None])) ** 3) ** 3
    trust = np.ones(len(x))
    fitted = y
    for _ in range(_ROBUST_ROUNDS):
        fitted = _local_lines(x, y, near * trust)
        residual = np.abs(y - fitted)
        scale = 6 * max(float(np.median(residual)), 0.05)
        trust = (1 - np.minimum(1, residual / scale) ** 2) ** 2
    order = np.argsort(x, kind="stable")
    for end, inner in ((order[0], order[1]), (order[-1], order[-2])):
        if trust[end] < _TRUSTED:  # a line drawn on beyond all that is trusted leads astray
            fitted[end] = fitted[inner]
    return [float(value) for value in fitted]


def _local_lines(x: np.ndarray, y: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Value at each x of the weighted line around it; row i of weights belongs to x[i]."""
    total = weights.sum(axis=1) + 1e-12
    mean_x = weights @ x / total
    mean_y = weights @ y / total
    spread = (weights * (x[None, :] - mean_x[:, None]) ** 2).sum(axis=1)
    slope = (weights * (x[None, :] - mean_x[:, None]) * (y[None, :] - mean_y[:, None])).sum(axis=1)
    line: np.ndarray = mean_y + slope / (spread + 1e-9) * (x - mean_x)
    return line


def common_gain_db(peaks_dbfs: Sequence[float], target_peak_dbfs: float) -> float:
    """Return the gain that brings the loudest of all notes to the target peak."""
    return target_peak_dbfs - max(peaks_dbfs) if peaks_dbfs else 0.0
