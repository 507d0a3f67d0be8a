"""Zones that sound together without having been meant to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from keymapper.auditing.subject import PackZone
from keymapper.formats.sfz import SfzCrossfade, SfzRegion


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
    cover the keyboard each by itself (told by their group, pan, output or conditions). Nor are
    zones that crossfade, take turns, or wait for different switches or controllers.
    """
    together: dict[object, list[PackZone]] = defaultdict(list)
    for zone in zones:
        together[_conditions(zone.region)].append(zone)
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


def _conditions(region: SfzRegion) -> object:
    """Return what two zones share that sound at the same time for the same reason."""
    return (
        region.trigger,
        region.sw_last,
        region.controller_ranges,
        region.seq_position,
        region.seq_length,
        round(region.lorand, 6),
        round(region.hirand, 6),
        region.group,
        region.pan_percent,
        region.delay_seconds,
        tuple(fade.controller for fade in region.controller_crossfades),
    )


def _overlap(zone: PackZone, other: PackZone) -> Overlap | None:
    one, two = zone.region, other.region
    keys = min(one.hikey, two.hikey) - max(one.lokey, two.lokey) + 1
    velocities = min(one.hivel, two.hivel) - max(one.lovel, two.lovel) + 1
    if keys <= 0 or velocities <= 0 or _is_layered(zone, other) or _fades(one) or _fades(two):
        return None
    return Overlap(zone=zone, other=other, keys=keys, velocities=velocities)


def _is_layered(zone: PackZone, other: PackZone) -> bool:
    """Tell whether two zones are meant to be one sound: same ranges, other samples."""
    one, two = zone.region, other.region
    same = (one.lokey, one.hikey, one.lovel, one.hivel) == (
        two.lokey,
        two.hikey,
        two.lovel,
        two.hivel,
    )
    return same and zone.file != other.file and zone.root_key == other.root_key


def _fades(region: SfzRegion) -> bool:
    return region.velocity_crossfade != SfzCrossfade() or region.key_crossfade != SfzCrossfade()
