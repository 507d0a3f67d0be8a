"""Velocities as names write them: numbers, numbered layers, dynamics; and what the levels say."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from keymapper.mapping.names.columns import NumberColumn
from keymapper.mapping.names.roles import (
    HIGHEST_LAYER,
    Setting,
    mean_levels_db,
    share_of_rising_pairs,
)
from keymapper.model.keys import HIGHEST_VELOCITY, LOWEST_VELOCITY

_LAYER_STEP_DB = 3.0
_LEAST_GROUPS = 3
_MOST_GROUPS = 0.8


def tagged_column(columns: Sequence[NumberColumn]) -> NumberColumn | None:
    """Return the column to believe of those a word names: one that varies, else the last."""
    return max(columns, key=lambda c: (c.distinct > 1, c.coverage, c.depth, c.place), default=None)


def tagged_velocities(column: NumberColumn, setting: Setting) -> tuple[int | None, ...]:
    """Return the velocities of "v100" or of layers "v1 v2 v3"; nothing for a lone "v2"."""
    known = set(column.known)
    if max(known) > HIGHEST_LAYER:
        return tuple(
            value if value is not None and LOWEST_VELOCITY <= value <= HIGHEST_VELOCITY else None
            for value in column.values
        )
    if len(known) == 1:
        return (None,) * len(column.values)
    is_falling = share_of_rising_pairs(column.values, setting) < 0.5
    return layer_velocities(column.values, is_falling=is_falling)


def layer_velocities(values: Sequence[int | None], *, is_falling: bool) -> tuple[int | None, ...]:
    """Return the top velocity of each of n equal layers, in the order of their numbers."""
    order = sorted({value for value in values if value is not None}, reverse=is_falling)
    top = {
        value: round(HIGHEST_VELOCITY * (place + 1) / len(order))
        for place, value in enumerate(order)
    }
    return tuple(None if value is None else top[value] for value in values)


def numbered_layers(
    columns: Sequence[NumberColumn], setting: Setting
) -> tuple[NumberColumn, bool] | None:
    """Return a column of small numbers that are layers, since each is clearly louder than the last.

    The second value is true where 1 is the loudest. Repeats of one velocity never differ so much,
    all in one direction, at nearly every key.
    """
    for column in columns:
        if max(column.known, default=HIGHEST_VELOCITY) > HIGHEST_LAYER or column.distinct < 2:
            continue
        steps = _level_steps_db(column, setting)
        if len(steps) < _LEAST_GROUPS:
            continue
        for is_falling in (False, True):
            sign = -1.0 if is_falling else 1.0
            clear = sum(all(sign * step >= _LAYER_STEP_DB for step in group) for group in steps)
            if clear >= _MOST_GROUPS * len(steps):
                return column, is_falling
    return None


def _level_steps_db(column: NumberColumn, setting: Setting) -> list[list[float]]:
    """Return, for each key, the level steps from one number to the next (means of equal ones)."""
    steps = []
    for group in setting.groups():
        levels = mean_levels_db(group, column.values, setting)
        ordered = [levels[value] for value in sorted(levels)]
        if len(ordered) > 1:
            steps.append([after - before for before, after in pairwise(ordered)])
    return steps


def files_out_of_order(velocities: Sequence[int | None], setting: Setting) -> list[tuple[int, int]]:
    """Return (file, other file of its key) where levels fall clearly as velocity rises."""
    found: list[tuple[int, int]] = []
    for group in setting.groups():
        levels = mean_levels_db(group, velocities, setting)
        ordered = sorted(levels)
        for lower, higher in pairwise(ordered):
            if levels[lower] - levels[higher] >= _LAYER_STEP_DB:
                firsts = {v: next(i for i in group if velocities[i] == v) for v in (lower, higher)}
                found.extend(
                    (index, firsts[lower if velocities[index] == higher else higher])
                    for index in group
                    if velocities[index] in (lower, higher)
                )
    return sorted(set(found))
