"""Under which key switches and controllers the zones of an instrument sound.

An instrument of several articulations is played in each: first as it stands when it is loaded,
then once more for what does not sound so, with no more switches and controllers moved than that
asks for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from keymapper.formats.sfz import SfzRegion
from keymapper.formats.sfz.values import leading_key
from keymapper.model.keys import key_name
from keymapper.proving.events import PlayerSettings
from keymapper.proving.gains import controller_gain

SWITCH_OPCODES = frozenset(("sw_lolast", "sw_hilast", "sw_down", "sw_up"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Articulation:
    """How switches and controllers stand before the notes: the name is "" for the start."""

    name: str
    player: PlayerSettings


def switches_allow(
    region: SfzRegion, last_switch: int | None, held: frozenset[int], key_offset: int
) -> bool:
    """Tell whether `region` sounds after the switch `last_switch` and while `held` are down."""
    if region.sw_last is not None and region.sw_last != last_switch:
        return False
    stated = _switch_keys(region, key_offset)
    if "sw_lolast" in stated or "sw_hilast" in stated:
        low, high = stated.get("sw_lolast", 0), stated.get("sw_hilast", 127)
        if last_switch is None or not low <= last_switch <= high:
            return False
    return stated.get("sw_up") not in held and (
        "sw_down" not in stated or stated["sw_down"] in held
    )


def controllers_allow(region: SfzRegion, controllers: Mapping[int, float]) -> bool:
    """Tell whether the controllers lie where `region` sounds."""
    return all(
        limits.low <= controllers.get(limits.controller, 0.0) <= limits.high
        for limits in region.controller_ranges
    )


def is_switch(regions: Sequence[SfzRegion], key: int) -> bool:
    """Tell whether a key chooses an articulation."""
    return any(
        region.sw_lokey is not None
        and region.sw_hikey is not None
        and region.sw_lokey <= key <= region.sw_hikey
        for region in regions
    )


def started_switch(regions: Sequence[SfzRegion], settings: PlayerSettings) -> int | None:
    """Return the key switch that counts before the first note."""
    if settings.last_switch is not None:
        return settings.last_switch
    return next((r.sw_default for r in regions if r.sw_default is not None), None)


def sounds_in(region: SfzRegion, articulation: Articulation, regions: Sequence[SfzRegion]) -> bool:
    """Tell whether a region of the instrument `regions` is heard in an articulation."""
    player = articulation.player
    return (
        switches_allow(
            region, started_switch(regions, player), player.held_switches, player.key_offset
        )
        and controllers_allow(region, player.controllers)
        and controller_gain(region, player.controllers, player) > 0.0
    )


def articulations(regions: Sequence[SfzRegion], start: PlayerSettings) -> tuple[Articulation, ...]:
    """Return the start, and as many articulations more as let every region sound that can."""
    found = [Articulation(name="", player=start)]
    for region in regions:
        if any(sounds_in(region, one, regions) for one in found):
            continue
        calling = _calling_for(region, start)
        if sounds_in(region, calling, regions):
            found.append(calling)
    return tuple(found)


def _calling_for(region: SfzRegion, start: PlayerSettings) -> Articulation:
    """Return the start with what `region` asks for: its switch down, its controllers moved."""
    stated = _switch_keys(region, start.key_offset)
    last = region.sw_last if region.sw_last is not None else stated.get("sw_lolast")
    last = stated.get("sw_hilast") if last is None else last
    held = frozenset({stated["sw_down"]} if "sw_down" in stated else ())
    held |= start.held_switches - {stated.get("sw_up", -1)}
    moved = _moved_controllers(region, start)
    names = [
        *([f"switch {key_name(last)}"] if last is not None else []),
        *(f"{key_name(key)} held" for key in sorted(held)),
        *(f"CC{number} {value:g}" for number, value in sorted(moved.items())),
    ]
    player = replace(
        start,
        last_switch=last,
        held_switches=held,
        controllers={**start.controllers, **moved},
    )
    return Articulation(name=", ".join(names), player=player)


def _moved_controllers(region: SfzRegion, start: PlayerSettings) -> dict[int, float]:
    """Return the controllers that keep `region` from sounding, where they let it.

    A condition is met in the middle of its range, a crossfade is left where it is whole, and what
    scales the amplitude is opened.
    """
    moved: dict[int, float] = {}
    for found in region.modulations:
        if found.target == "amplitude" and not start.controllers.get(found.controller):
            moved[found.controller] = 127.0
    for fade in region.controller_crossfades:
        if fade.controller is not None:
            value = start.controllers.get(fade.controller, 0.0)
            moved[fade.controller] = min(max(value, fade.in_high), fade.out_low)
    for limits in region.controller_ranges:
        value = moved.get(limits.controller, start.controllers.get(limits.controller, 0.0))
        if not limits.low <= value <= limits.high:
            moved[limits.controller] = (limits.low + limits.high) // 2
    return {
        number: value
        for number, value in moved.items()
        if value != start.controllers.get(number, 0.0)
    }


def _switch_keys(region: SfzRegion, key_offset: int) -> dict[str, int]:
    """Return the switches of a region that the reader leaves as they are written."""
    keys = {}
    for name, text in region.other_opcodes:
        if name in SWITCH_OPCODES:
            key, _ = leading_key(text)
            if key is not None:
                keys[name] = int(key) + key_offset
    return keys
