"""Zones that sound together without having been meant to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from keymapper.auditing.parts import manner, sound_together
from keymapper.auditing.subject import PackZone


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlap:
    """Two zones, and how many keys and velocities they share."""

    zone: PackZone
    other: PackZone
    keys: int
    velocities: int


def overlapping_zones(zones: Sequence[PackZone]) -> Iterator[Overlap]:
    """Yield pairs of zones that share keys and velocities by mistake, each zone once.

    Layers are no mistake: zones with the very same ranges but another sample, and layers that
    cover the keyboard each by itself (see `parts`) or differ in group, pan, delay or transposition.
    Nor are zones that crossfade, take turns (random ones have a rule of their own), or wait for
    different switches or controllers.
    """
    together: dict[object, list[PackZone]] = defaultdict(list)
    for zone in zones:
        together[manner(zone.region)].append(zone)
    for members in together.values():
        members.sort(key=lambda zone: (zone.region.lokey, zone.region.lovel, zone.file or ""))
        open_zones: list[PackZone] = []
        for zone in members:
            open_zones = [one for one in open_zones if one.region.hikey >= zone.region.lokey]
            for other in open_zones:
                found = _overlap(zone, other)
                if found is not None:
                    yield found
                    break
            open_zones.append(zone)


def _overlap(zone: PackZone, other: PackZone) -> Overlap | None:
    one, two = zone.region, other.region
    keys = min(one.hikey, two.hikey) - max(one.lokey, two.lokey) + 1
    velocities = min(one.hivel, two.hivel) - max(one.lovel, two.lovel) + 1
    same_turn = (one.lorand, one.hirand) == (two.lorand, two.hirand)
    if not same_turn or not sound_together(one, two) or _is_layered(zone, other):
        return None
    return Overlap(zone=zone, other=other, keys=keys, velocities=velocities)


def _is_layered(zone: PackZone, other: PackZone) -> bool:
    """Tell whether two zones are meant to be one sound: layers, or same ranges, other samples.

    A sample that plays twice in the very same way is no layer.
    """
    one, two = zone.region, other.region
    if zone.file == other.file and one.tune_cents == two.tune_cents:
        return False
    if zone.part != other.part:
        return True
    same = (one.lokey, one.hikey, one.lovel, one.hivel) == (
        two.lokey,
        two.hikey,
        two.lovel,
        two.hivel,
    )
    return same and zone.root_key == other.root_key
