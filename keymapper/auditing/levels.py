"""How loud a zone plays: the level of its sample, its volume and the velocity."""

from __future__ import annotations

from keymapper.auditing.subject import PackZone
from keymapper.formats.sfz import SfzRegion
from keymapper.measuring.levels import amplitude_db


def played_db(zone: PackZone, velocity: int | None = None) -> float:
    """Return the level of a zone's loudest 400 ms as it is played, in dBFS; -200 for silence.

    velocity : 1 to 127; None leaves velocity out of account.
    """
    if zone.facts is None:
        return -200.0
    region = zone.region
    level = zone.facts.measurement.levels.body_dbfs + region.volume_db
    level += amplitude_db(region.amplitude_percent / 100)
    return level if velocity is None else level + velocity_gain_db(region, velocity)


def velocity_gain_db(region: SfzRegion, velocity: int) -> float:
    """Return what velocity does to the level of a region, in dB, at least -200.

    Gain is 1 - t (1 - c), with t the tracking and c the curve: (v / 127)², or straight lines
    through the points of `amp_velcurve_N` with (0, 0) and (127, 1) where they are not given.
    A negative tracking turns the velocity round.
    """
    tracking = region.amp_veltrack_percent / 100
    at = velocity if tracking >= 0 else 127 - velocity
    curve = _curve(region.amp_velcurve, at) if region.amp_velcurve else (at / 127) ** 2
    return amplitude_db(max(0.0, 1 - abs(tracking) * (1 - curve)))


def _curve(points: tuple[tuple[int, float], ...], velocity: int) -> float:
    known = {0: 0.0, 127: 1.0} | dict(points)
    below = max(at for at in known if at <= velocity)
    above = min(at for at in known if at >= velocity)
    if below == above:
        return known[below]
    share = (velocity - below) / (above - below)
    return (1 - share) * known[below] + share * known[above]
