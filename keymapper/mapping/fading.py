"""Velocity layers that fade into each other note by note, and are level where they do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from keymapper.mapping.dynamics import gain_between_db
from keymapper.mapping.fade_curves import way_through
from keymapper.mapping.set_notes import Area, PlacedNote, areas_of
from keymapper.model.instrument import VelocityFade, VelocityGain

_WAYS = tuple(step / 8 for step in range(1, 8))
MOST_RAISED_DB = 9.0
"""Of layers that take from each other while they fade: raised more, one would stick out."""


def cut_where_fades_change(placed: Sequence[PlacedNote]) -> tuple[PlacedNote, ...]:
    """Return notes whose areas end where a layer that they fade into hands over to another note."""
    attacks = [area for note in placed if note.place.trigger == "attack" for area in areas_of(note)]
    return tuple(
        replace(note, areas=tuple(part for area in areas_of(note) for part in _cut(area, attacks)))
        if note.place.trigger == "attack"
        else note
        for note in placed
    )


def even_through_fade(
    gains: Sequence[VelocityGain],
    fade: VelocityFade,
    below: float | None,
    above: float | None,
) -> tuple[VelocityGain, ...]:
    """Return the gains less what two layers, each along the same line, are off it together.

    fade : by straight lines in amplitude.
    below, above : the correlation, -1 to 1, with the layer that fades out while this one fades
    in, and with the one it fades out into; None where there is none.
    """
    velocities = {gain.velocity for gain in gains}
    low, high = min(velocities), max(velocities)
    for start, end in ((fade.in_low, fade.in_high), (fade.out_low, fade.out_high)):
        velocities |= {v for v in range(start, end + 1) if low <= v <= high}

    def together_db(velocity: int) -> float:
        fading_in = way_through(velocity, fade.in_low, fade.in_high)
        fading_out = way_through(velocity, fade.out_low, fade.out_high)
        return _sum_db(fading_in, below) + _sum_db(fading_out, above)

    return tuple(
        VelocityGain(
            velocity=velocity, gain_db=gain_between_db(gains, velocity) - together_db(velocity)
        )
        for velocity in sorted(velocities)
    )


def most_uneven_db(correlation: float, below: float, above: float) -> float:
    """Return by how much two sounds of one level are at most off it while one fades into the other.

    correlation : of the two, -1 to 1.
    below, above : that for which the louder and the softer one are made even.
    """
    off = []
    for way in _WAYS:
        softer = (1.0 - way) * 10.0 ** (-_sum_db(way, above) / 20.0)
        louder = way * 10.0 ** (-_sum_db(way, below) / 20.0)
        power = softer**2 + louder**2 + 2.0 * correlation * softer * louder
        off.append(abs(10.0 * math.log10(max(power, 1e-12))))
    return max(off)


def _cut(area: Area, others: Sequence[Area]) -> list[Area]:
    edges = {
        key
        for other in others
        if (area.fade_above and other.low_velocity == area.high_velocity + 1)
        or (area.fade_below and other.high_velocity == area.low_velocity - 1)
        for key in (other.low_key, other.high_key + 1)
        if area.low_key < key <= area.high_key
    }
    lows = [area.low_key, *sorted(edges)]
    return [
        replace(area, low_key=low, high_key=after - 1)
        for low, after in zip(lows, [*lows[1:], area.high_key + 1], strict=True)
    ]


def _sum_db(way: float, correlation: float | None) -> float:
    """Return how loud two sounds of one level are together, some way through a fade."""
    if correlation is None:
        return 0.0
    power = (1.0 - way) ** 2 + way**2 + 2.0 * correlation * way * (1.0 - way)
    return max(-MOST_RAISED_DB, 10.0 * math.log10(max(power, 1e-12)))
