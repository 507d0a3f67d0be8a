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

from keymapper.mapping.fade_curves import faded_range
from keymapper.mapping.key_ranges import share_keys
from keymapper.model.instrument import VelocityGain

VELOCITY_STEP = 6
"""Velocities between two written points: players join them by straight lines in amplitude."""
LEAST_GAIN_DB = -60.0


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


def square_law_db(velocity: int, known_velocity: int) -> float:
    """Return by how much louder a velocity plays than another, where amplitude is its square."""
    return 40.0 * math.log10(velocity / known_velocity)


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
    sharing = _nearest(zone, [other for other in others if share_keys(zone, other)])
    if sharing:
        level_db = sum(other.level_db for other in sharing) / len(sharing)
        return _Neighbour(velocity=_mean_velocity(sharing), level_db=level_db)
    next_layer = _nearest(zone, others)
    steps = [
        other.level_db - one.level_db
        for one in alike
        for other in next_layer
        if share_keys(one, other)
    ]
    if not steps:
        return None
    return _Neighbour(velocity=_mean_velocity(next_layer), level_db=zone.level_db + median(steps))


def _nearest(zone: DynamicZone, others: Sequence[DynamicZone]) -> list[DynamicZone]:
    """Return the zones of the layer next to that of a zone."""
    apart = [abs(other.low_velocity - zone.low_velocity) for other in others]
    return [other for other, far in zip(others, apart, strict=True) if far == min(apart)]


def _mean_velocity(zones: Sequence[DynamicZone]) -> float:
    return sum(zone.nominal_velocity for zone in zones) / len(zones)


def _gain_db(velocity: int, zone: DynamicZone, neighbour: _Neighbour | None) -> float:
    if velocity == zone.nominal_velocity:
        return 0.0
    if neighbour is None:
        return max(LEAST_GAIN_DB, square_law_db(velocity, zone.nominal_velocity))
    way = (velocity - zone.nominal_velocity) / (neighbour.velocity - zone.nominal_velocity)
    return way * (neighbour.level_db - zone.level_db)
