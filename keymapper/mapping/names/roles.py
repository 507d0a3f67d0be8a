"""What each column of numbers means: key, velocity, round robin, or nothing (a counter, a date).

A column earns its meaning from the whole set: keys follow the measured pitch, velocities come back
at every key and grow with the level, repeats count from the start at every key and velocity.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import combinations

from keymapper.mapping.names.agreement import LEAST_SHARE, agreement, is_believed
from keymapper.mapping.names.columns import NumberColumn
from keymapper.mapping.names.hints import MeasuredHint
from keymapper.model.keys import HIGHEST_KEY, HIGHEST_VELOCITY, LOWEST_KEY, LOWEST_VELOCITY

HIGHEST_LAYER = 16
_LEAST_COVERAGE = 0.5
_HIGHEST_REPEAT = 32
_LOUD_VELOCITY = 100
_LEVEL_NOISE_DB = 1.0
_FOLLOWING_SHARE = 0.8
_MOST_GROUPS = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What is already known of each file when a column is judged.

    keys : the key that groups notes: named, else measured, else None.
    sounds : the words that tell a sound from the others of the set.
    """

    keys: tuple[int | None, ...]
    sounds: tuple[str, ...]
    is_release: tuple[bool, ...]
    measured: tuple[MeasuredHint | None, ...]

    def groups(self, *also: Sequence[Hashable]) -> list[list[int]]:
        """Return the files that are one sound on one key, and equal in `also`."""
        found: dict[Hashable, list[int]] = defaultdict(list)
        for index in range(len(self.keys)):
            known = (self.keys[index], self.sounds[index], self.is_release[index])
            found[known, tuple(column[index] for column in also)].append(index)
        return list(found.values())

    def level_db(self, index: int) -> float | None:
        """Return the level of a file, None when not measured."""
        hint = self.measured[index]
        return None if hint is None else hint.level_db


def key_column(columns: Sequence[NumberColumn], setting: Setting) -> NumberColumn | None:
    """Return the column of MIDI numbers, if one is: it follows the pitch, or looks the part."""
    ranked: list[tuple[tuple[float, ...], NumberColumn]] = []
    for column in columns:
        if column.coverage < _LEAST_COVERAGE or not _all_within(column, LOWEST_KEY, HIGHEST_KEY):
            continue
        fit = agreement(column.values, setting.measured, octaves_only=True)
        if fit is not None and fit.share >= LEAST_SHARE:
            ranked.append(((fit.share, column.distinct, -abs(fit.semitones)), column))
        elif is_believed(fit, len(column.known)) and _looks_like_keys(column, setting):
            ranked.append(((0.0, column.distinct, 0.0), column))
    return max(ranked, key=lambda each: each[0])[1] if ranked else None


def _looks_like_keys(column: NumberColumn, setting: Setting) -> bool:
    """Keys differ, are no counter, and are not the same few velocities for every named sound."""
    if column.distinct < 2 or is_counter(column):
        return False
    by_sound: dict[str, set[int | None]] = defaultdict(set)
    for index, value in enumerate(column.values):
        if not setting.is_release[index]:
            by_sound[setting.sounds[index]].add(value)
    sets = list(by_sound.values())
    is_crossed = len(sets) > 1 and all(values == sets[0] for values in sets)
    return not (is_crossed and max(column.known) >= _LOUD_VELOCITY)


def is_counter(column: NumberColumn) -> bool:
    """Return whether the numbers run from 0 or 1 without a gap."""
    known = set(column.known)
    return bool(known) and min(known) in (0, 1) and max(known) - min(known) == len(known) - 1


def velocity_column(columns: Sequence[NumberColumn], setting: Setting) -> NumberColumn | None:
    """Return the column of velocities: they differ within a key, recur, and grow with the level."""
    ranked = [
        ((rise, max(column.known)), column)
        for column in columns
        if _may_be_velocities(column, setting)
        and (rise := share_of_rising_pairs(column.values, setting)) >= LEAST_SHARE
    ]
    return max(ranked, key=lambda each: each[0])[1] if ranked else None


def _may_be_velocities(column: NumberColumn, setting: Setting) -> bool:
    if not _all_within(column, LOWEST_VELOCITY, HIGHEST_VELOCITY):
        return False
    if column.coverage < _LEAST_COVERAGE or max(column.known) <= HIGHEST_LAYER:
        return False
    if _follows_pitch(column, setting):
        return False
    groups, values = setting.groups(), column.values
    differs = any(len({values[index] for index in group} - {None}) > 1 for group in groups)
    if len(groups) == 1:
        return differs and not is_counter(column)
    return differs and column.distinct < len(column.known)


def _follows_pitch(column: NumberColumn, setting: Setting) -> bool:
    fit = agreement(column.values, setting.measured, octaves_only=False)
    return fit is not None and column.distinct > 2 and fit.share > _FOLLOWING_SHARE


def mean_levels_db(
    group: Sequence[int], values: Sequence[int | None], setting: Setting
) -> dict[int, float]:
    """Return the mean level of a group's files for each velocity, in dB."""
    found: dict[int, list[float]] = defaultdict(list)
    for index in group:
        value, level = values[index], setting.level_db(index)
        if value is not None and level is not None:
            found[value].append(level)
    return {value: sum(levels) / len(levels) for value, levels in found.items()}


def share_of_rising_pairs(values: Sequence[int | None], setting: Setting) -> float:
    """Return how often the higher of two velocities of a key is the louder one (0..1).

    Pairs of nearly equal level say nothing; 0.5 when no pair says anything.
    """
    rising = falling = 0
    for group in setting.groups():
        levels = mean_levels_db(group, values, setting)
        for lower, higher in combinations(sorted(levels), 2):
            rise_db = levels[higher] - levels[lower]
            rising += rise_db > _LEVEL_NOISE_DB
            falling += rise_db < -_LEVEL_NOISE_DB
    return rising / (rising + falling) if rising + falling else 0.5


def repeat_column(
    columns: Sequence[NumberColumn], setting: Setting, velocities: Sequence[int | None]
) -> NumberColumn | None:
    """Return the column that counts the repeats of a key and velocity; the last one, if several.

    Where no key and no velocity is known, numbers tell sounds apart: "tom 1" is no repeat of
    "tom 2".
    """
    if not any(known is not None for known in (*setting.keys, *velocities)):
        return None
    groups = setting.groups(velocities)
    found = [column for column in columns if _counts_repeats(column, groups)]
    return found[-1] if found else None


def _counts_repeats(column: NumberColumn, groups: Sequence[Sequence[int]]) -> bool:
    """Small numbers, different within a group, and most groups begin with the first of them.

    The first take may have no number where the others start from 2 (or from 1).
    """
    known = column.known
    if not known or max(known) > _HIGHEST_REPEAT or min(known) > 2:
        return False
    values = column.values
    rows = [[values[index] for index in group] for group in groups]
    several = [row for row in rows if len(row) > 1]
    if not several or any(len(set(row)) < len(row) for row in several):
        return False
    numbered = [[value for value in row if value is not None] for row in rows]
    begin_first = [min(row) == min(known) for row in numbered if row]
    return sum(begin_first) >= _MOST_GROUPS * len(begin_first)


def _all_within(column: NumberColumn, lowest: int, highest: int) -> bool:
    return all(lowest <= value <= highest for value in column.known)
