"""Areas of notes cut so that each fades, at each turn, into one other note."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from keymapper.mapping.filling import areas_of
from keymapper.mapping.set_notes import Area, PlacedNote

MOST_TURNS_TOGETHER = 24
"""Zones that a layer of fewer turns may have on a key; five turns that meet four have 20."""


def cut_where_fades_change(placed: Sequence[PlacedNote]) -> tuple[PlacedNote, ...]:
    """Return notes whose areas end where a layer that they fade into hands over to another note.

    Where the layers have different numbers of turns, an area is as many as there are pairs that
    sound together, each of which comes at a turn of its own.
    """
    attacks = [area for note in placed if note.place.trigger == "attack" for area in areas_of(note)]
    return tuple(
        replace(note, areas=tuple(part for area in areas_of(note) for part in _cut(area, attacks)))
        if note.place.trigger == "attack"
        else note
        for note in placed
    )


def meet(one: Area, other: Area) -> bool:
    """Say whether two areas sound at one turn of some key."""
    apart = one.round_robin - other.round_robin
    keys = max(one.low_key, other.low_key) <= min(one.high_key, other.high_key)
    return keys and apart % math.gcd(one.round_robins, other.round_robins) == 0


def _cut(area: Area, others: Sequence[Area]) -> list[Area]:
    fading = [
        other
        for other in others
        if (area.fade_above and other.low_velocity == area.high_velocity + 1)
        or (area.fade_below and other.high_velocity == area.low_velocity - 1)
    ]
    edges = {
        key
        for other in fading
        for key in (other.low_key, other.high_key + 1)
        if area.low_key < key <= area.high_key
    }
    lows = [area.low_key, *sorted(edges)]
    return [
        turn
        for low, after in zip(lows, [*lows[1:], area.high_key + 1], strict=True)
        for turn in _by_turns(replace(area, low_key=low, high_key=after - 1), fading)
    ]


def _by_turns(area: Area, fading: Sequence[Area]) -> list[Area]:
    """Return an area once for each turn at which it meets other notes."""
    counts = [
        other.round_robins
        for other in fading
        if other.low_key <= area.low_key and area.high_key <= other.high_key
    ]
    turns = math.lcm(area.round_robins, *counts)
    if turns > MOST_TURNS_TOGETHER:
        return [area]
    return [
        replace(area, round_robin=turn, round_robins=turns)
        for turn in range(area.round_robin, turns + 1, area.round_robins)
    ]
