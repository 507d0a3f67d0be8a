"""Rules about how zones meet: where one fades into another, or turns it off."""

from __future__ import annotations

from collections.abc import Iterator

from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import PackInstrument, PackZone


@rule(
    "map-crossfade-reversed",
    "warning",
    on="zone",
    title="A crossfade ends before it begins",
    why="Players differ in what they make of it: the zone jumps in, or stays silent.",
    fix="Write the lower end of the fade to …lo…, the higher one to …hi….",
)
def crossfade_reversed(zone: PackZone, _limit: float) -> Iterator[Outcome]:
    """Fades over velocities, keys and controllers."""
    region = zone.region
    fades = {"velocities": region.velocity_crossfade, "keys": region.key_crossfade}
    fades |= {f"controller {fade.controller}": fade for fade in region.controller_crossfades}
    for over, fade in fades.items():
        for way, low, high in (
            ("in", fade.in_low, fade.in_high),
            ("out", fade.out_low, fade.out_high),
        ):
            if low > high:
                message = f"fades {way} over {over} from {low:g} to {high:g}"
                yield Hit(measured=f"{low:g} to {high:g}", message=message)


@rule(
    "map-off-by-nothing",
    "warning",
    on="instrument",
    title="A zone waits for a group that is not there",
    why="Nothing turns it off: an open hi-hat rings on through the closed one.",
    fix="Give `off_by` the `group` of the zones that are to turn it off.",
)
def off_by_nothing(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Name the first zone that waits for each group that no zone is in."""
    groups = {zone.region.group for zone in instrument.zones}
    waiting: dict[int, PackZone] = {}
    for zone in instrument.zones:
        if zone.region.off_by and zone.region.off_by not in groups:
            waiting.setdefault(zone.region.off_by, zone)
    for group, zone in waiting.items():
        yield Hit(
            file=zone.file,
            zone=zone.label,
            measured=group,
            message=f"is turned off by group {group}, in which no zone is",
        )
