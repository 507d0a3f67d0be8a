"""How level rises with velocity, continuous across the hand-overs between layers.

Within its layer a zone plays at its own level at the velocity it was recorded at, and meets its
neighbour layers half-way (in dB, along the straight line between the two levels) at the
hand-over. Neighbours are the nearest layers that reach its keys; where none does, the next layer
counts as far above or below it as on the keys that have both. Beyond the softest and the loudest
recording the usual square law goes on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from keymapper.model.instrument import VelocityFade, VelocityGain

VELOCITY_STEP = 6
"""Velocities between two written points: players join them by straight lines in amplitude."""
LEAST_GAIN_DB = -60.0
_WAYS = tuple(step / 8 for step in range(1, 8))
MOST_RAISED_DB = 9.0
"""Of layers that take from each other while they fade: raised more, one would stick out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DynamicZone:
    """What fitting the dynamics needs to know of a zone."""

    low_key: int
    high_key: int
    low_velocity: int
    high_velocity: int
    nominal_velocity: int
    """The velocity it was recorded at, within its range."""
    level_db: float
    fade_below: int = 0
    """Velocities over which it overlaps the layer below; its gains go on along the same line."""
    fade_above: int = 0


def velocity_gains(zones: Sequence[DynamicZone]) -> list[tuple[VelocityGain, ...]]:
    """Return the gain over velocity of each zone, in dB over its recorded level.

    A set with one layer gets none: the usual square law of velocity serves it.
    """
    if len({zone.low_velocity for zone in zones}) < 2:
        return [() for _ in zones]
    return [_gains(zone, zones) for zone in zones]


def _gains(zone: DynamicZone, zones: Sequence[DynamicZone]) -> tuple[VelocityGain, ...]:
    alike = [one for one in zones if one.low_velocity == zone.low_velocity]
    below = _neighbours(zone, alike, [z for z in zones if z.high_velocity < zone.low_velocity])
    above = _neighbours(zone, alike, [z for z in zones if z.low_velocity > zone.high_velocity])
    low, high = faded_range(
        (zone.low_velocity, zone.high_velocity), zone.fade_below, zone.fade_above
    )
    points = sorted({low, zone.nominal_velocity, high, *range(low, high, VELOCITY_STEP)})
    return tuple(
        VelocityGain(
            velocity=velocity,
            gain_db=_gain_db(velocity, zone, below if velocity < zone.nominal_velocity else above),
        )
        for velocity in points
    )


def faded_range(own: tuple[int, int], fade_below: int, fade_above: int) -> tuple[int, int]:
    """Return the velocities a layer sounds at when it fades into its neighbours.

    own : its lowest and highest velocity.
    fade_below, fade_above : velocities over which it fades; half of them are its neighbour's own.
    """
    return own[0] - (fade_below + 1) // 2, own[1] + fade_above // 2


def fade_of(own: tuple[int, int], fade_below: int, fade_above: int) -> VelocityFade | None:
    """Return how a layer fades over the velocities at which it overlaps its neighbours."""
    if not fade_below and not fade_above:
        return None
    low, high = faded_range(own, fade_below, fade_above)
    return VelocityFade(
        in_low=low - 1 if fade_below else 0,
        in_high=own[0] + fade_below // 2 if fade_below else 0,
        out_low=own[1] - (fade_above + 1) // 2 if fade_above else 127,
        out_high=high + 1 if fade_above else 127,
        law="gain",
    )


def fade_share(fade: VelocityFade | None, velocity: int) -> float:
    """Return the share of its amplitude, 0 to 1, that a fade by straight lines leaves a layer."""
    if fade is None:
        return 1.0
    fading_in = _way(velocity, fade.in_low, fade.in_high) if fade.in_high else 1.0
    return fading_in * (1.0 - _way(velocity, fade.out_low, fade.out_high))


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
        fading_in = _way(velocity, fade.in_low, fade.in_high)
        fading_out = _way(velocity, fade.out_low, fade.out_high)
        return _sum_db(fading_in, below) + _sum_db(fading_out, above)

    return tuple(
        VelocityGain(
            velocity=velocity, gain_db=gain_between_db(gains, velocity) - together_db(velocity)
        )
        for velocity in sorted(velocities)
    )


def _way(velocity: int, start: int, end: int) -> float:
    return min(1.0, max(0.0, (velocity - start) / (end - start))) if end > start else 0.0


def _sum_db(way: float, correlation: float | None) -> float:
    """Return how loud two sounds of one level are together, some way through a fade."""
    if correlation is None:
        return 0.0
    power = (1.0 - way) ** 2 + way**2 + 2.0 * correlation * way * (1.0 - way)
    return max(-MOST_RAISED_DB, 10.0 * math.log10(max(power, 1e-12)))


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


def gains_within(
    gains: Sequence[VelocityGain], velocities: tuple[int, int]
) -> tuple[VelocityGain, ...]:
    """Return the part of a level curve between two velocities, inclusive, with points at both."""
    low, high = velocities
    inside = {gain.velocity for gain in gains if low < gain.velocity < high}
    return tuple(
        VelocityGain(velocity=velocity, gain_db=gain_between_db(gains, velocity))
        for velocity in sorted({low, high, *inside})
    )


def gain_between_db(gains: Sequence[VelocityGain], velocity: int) -> float:
    """Return the gain at a velocity as players draw it between points; the ends go on level."""
    amplitude = np.interp(
        velocity,
        [gain.velocity for gain in gains],
        [10.0 ** (gain.gain_db / 20.0) for gain in gains],
    )
    return 20.0 * math.log10(float(amplitude))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Neighbour:
    velocity: float
    level_db: float


def _neighbours(
    zone: DynamicZone, alike: Sequence[DynamicZone], others: Sequence[DynamicZone]
) -> _Neighbour | None:
    """Mean of the zones of the nearest layer that shares keys with this one.

    alike : the zones of its own layer, to tell how far a layer lies that does not reach its keys.
    """
    sharing = _nearest(zone, [other for other in others if _share_keys(zone, other)])
    if sharing:
        level_db = sum(other.level_db for other in sharing) / len(sharing)
        return _Neighbour(velocity=_mean_velocity(sharing), level_db=level_db)
    next_layer = _nearest(zone, others)
    steps = [
        other.level_db - one.level_db
        for one in alike
        for other in next_layer
        if _share_keys(one, other)
    ]
    if not steps:
        return None
    return _Neighbour(velocity=_mean_velocity(next_layer), level_db=zone.level_db + median(steps))


def _nearest(zone: DynamicZone, others: Sequence[DynamicZone]) -> list[DynamicZone]:
    """Return the zones of the layer next to that of a zone."""
    apart = [abs(other.low_velocity - zone.low_velocity) for other in others]
    return [other for other, far in zip(others, apart, strict=True) if far == min(apart)]


def _share_keys(one: DynamicZone, other: DynamicZone) -> bool:
    return one.low_key <= other.high_key and other.low_key <= one.high_key


def _mean_velocity(zones: Sequence[DynamicZone]) -> float:
    return sum(zone.nominal_velocity for zone in zones) / len(zones)


def _gain_db(velocity: int, zone: DynamicZone, neighbour: _Neighbour | None) -> float:
    if velocity == zone.nominal_velocity:
        return 0.0
    if neighbour is None:
        return max(LEAST_GAIN_DB, 40.0 * math.log10(velocity / zone.nominal_velocity))
    way = (velocity - zone.nominal_velocity) / (neighbour.velocity - zone.nominal_velocity)
    return way * (neighbour.level_db - zone.level_db)
