"""How level rises with velocity, continuous across the hand-overs between layers.

Within its layer a zone plays at its own level at the velocity it was recorded at, and meets its
neighbour layers half-way (in dB, along the straight line between the two levels) at the
hand-over. Beyond the softest and the loudest recording the usual square law goes on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

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


def velocity_gains(zones: Sequence[DynamicZone], fade: int = 0) -> list[tuple[VelocityGain, ...]]:
    """Return the gain over velocity of each zone, in dB over its recorded level.

    A set with one layer gets none: the usual square law of velocity serves it.

    fade : velocities over which layers overlap; the gains go on along the same line there.
    """
    if len({zone.low_velocity for zone in zones}) < 2:
        return [() for _ in zones]
    return [_gains(zone, zones, fade) for zone in zones]


def _gains(zone: DynamicZone, zones: Sequence[DynamicZone], fade: int) -> tuple[VelocityGain, ...]:
    below = _neighbours(zone, [z for z in zones if z.high_velocity == zone.low_velocity - 1])
    above = _neighbours(zone, [z for z in zones if z.low_velocity == zone.high_velocity + 1])
    low, high = faded_range(zone.low_velocity, zone.high_velocity, fade)
    points = sorted({low, zone.nominal_velocity, high, *range(low, high, VELOCITY_STEP)})
    return tuple(
        VelocityGain(
            velocity=velocity,
            gain_db=_gain_db(velocity, zone, below if velocity < zone.nominal_velocity else above),
        )
        for velocity in points
    )


def faded_range(low_velocity: int, high_velocity: int, fade: int) -> tuple[int, int]:
    """Return the velocities a layer sounds at when it fades into its neighbours."""
    below, above = (fade + 1) // 2, fade // 2
    low = low_velocity if low_velocity == 1 else max(1, low_velocity - below)
    return low, (high_velocity if high_velocity == 127 else min(127, high_velocity + above))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Neighbour:
    velocity: float
    level_db: float


def _neighbours(zone: DynamicZone, others: Sequence[DynamicZone]) -> _Neighbour | None:
    """Mean of the zones of the next layer that share keys with this one."""
    shared = [o for o in others if o.low_key <= zone.high_key and zone.low_key <= o.high_key]
    if not shared:
        return None
    return _Neighbour(
        velocity=sum(o.nominal_velocity for o in shared) / len(shared),
        level_db=sum(o.level_db for o in shared) / len(shared),
    )


def _gain_db(velocity: int, zone: DynamicZone, neighbour: _Neighbour | None) -> float:
    if velocity == zone.nominal_velocity:
        return 0.0
    if neighbour is None:
        return max(LEAST_GAIN_DB, 40.0 * math.log10(velocity / zone.nominal_velocity))
    way = (velocity - zone.nominal_velocity) / (neighbour.velocity - zone.nominal_velocity)
    return way * (neighbour.level_db - zone.level_db)
