"""How loud a zone plays: the level of its sample, its volume and the velocity."""

from __future__ import annotations

from keymapper.auditing.subject import PackZone
from keymapper.formats.sfz import SfzRegion, key_gain_db, velocity_gain
from keymapper.measuring.levels import amplitude_db
from keymapper.model.sound import SILENCE_DBFS


def played_db(zone: PackZone, velocity: int | None = None) -> float:
    """Return the level of a zone's loudest 400 ms as it is played, in dBFS; -200 for silence.

    On its root key, or on the key of the zone next to that.

    velocity : 1 to 127; None leaves velocity out of account.
    """
    if zone.facts is None:
        return SILENCE_DBFS
    region = zone.region
    level = zone.facts.measurement.levels.body_dbfs + region.volume_db
    level += amplitude_db(region.amplitude_percent / 100)
    level += key_gain_db(region, min(max(zone.root_key, region.lokey), region.hikey))
    return level if velocity is None else level + velocity_gain_db(region, velocity)


def velocity_gain_db(region: SfzRegion, velocity: int) -> float:
    """Return what velocity does to the level of a region, in dB, at least -200."""
    return amplitude_db(velocity_gain(region, velocity))
