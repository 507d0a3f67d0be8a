"""A picture of an instrument: its keyboard, and above it the zones over keys and velocities."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from keymapper.formats.sfz import SfzRegion
from keymapper.model.keys import key_name
from keymapper.reporting.page.charts import SVG_NAMESPACE
from keymapper.reporting.page.elements import Element, tag

_LEAST_KEYS = 48
_KEY_WIDTH, _MAP_HEIGHT, _KEYS_HEIGHT, _TEXT_HEIGHT = 10.0, 90.0, 36.0, 18.0
_BLACK = frozenset((1, 3, 6, 8, 10))


@dataclass(frozen=True, slots=True, kw_only=True)
class MapZone:
    """Keys and velocities that play one sample, inclusive."""

    low_key: int
    high_key: int
    low_velocity: int
    high_velocity: int


def map_zones(regions: Sequence[SfzRegion]) -> tuple[MapZone, ...]:
    """Return the zones of an instrument, each place once, releases left out."""
    zones = {
        MapZone(
            low_key=max(region.lokey, 0),
            high_key=min(region.hikey, 127),
            low_velocity=region.lovel,
            high_velocity=region.hivel,
        ): None
        for region in regions
        if not region.is_release and 0 <= region.lokey <= region.hikey
    }
    return tuple(zones)


def map_picture(name: str, zones: Sequence[MapZone]) -> Element:
    """Return the picture as SVG: whole octaves around the mapped keys, four at least."""
    low = min((zone.low_key for zone in zones), default=60) // 12 * 12
    high = max((zone.high_key for zone in zones), default=71) // 12 * 12 + 11
    while high - low + 1 < _LEAST_KEYS:
        low, high = max(0, low - 12), high + 12
    high = min(high, 127)
    width = (high - low + 1) * _KEY_WIDTH
    height = _MAP_HEIGHT + _KEYS_HEIGHT + _TEXT_HEIGHT
    mapped = {key for zone in zones for key in range(zone.low_key, zone.high_key + 1)}
    return tag(
        "svg",
        *(_zone(zone, low) for zone in zones),
        *(_key(key, low, sounds=key in mapped) for key in range(low, high + 1)),
        *(_octave(key, low) for key in range(low, high + 1, 12)),
        xmlns=SVG_NAMESPACE,
        viewBox=f"0 0 {width:g} {height:g}",
        role="img",
        aria_label=f"Keys and velocities of {name}",
    )


def _zone(zone: MapZone, low: int) -> Element:
    step = _MAP_HEIGHT / 127
    return tag(
        "rect",
        x=(zone.low_key - low) * _KEY_WIDTH,
        y=(127 - zone.high_velocity) * step,
        width=(zone.high_key - zone.low_key + 1) * _KEY_WIDTH,
        height=(zone.high_velocity - zone.low_velocity + 1) * step,
        class_="zone",
    )


def _key(key: int, low: int, *, sounds: bool) -> Element:
    is_black = key % 12 in _BLACK
    return tag(
        "rect",
        x=(key - low) * _KEY_WIDTH,
        y=_MAP_HEIGHT,
        width=_KEY_WIDTH,
        height=_KEYS_HEIGHT * (0.62 if is_black else 1.0),
        class_=f"{'black' if is_black else 'white'}{'' if sounds else ' silent'}",
    )


def _octave(key: int, low: int) -> Element:
    x = (key - low + 0.5) * _KEY_WIDTH
    y = _MAP_HEIGHT + _KEYS_HEIGHT + _TEXT_HEIGHT - 5
    return tag("text", key_name(key), x=x + 4, y=y)
