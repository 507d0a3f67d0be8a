"""Rules about the order of turns and layers, and what names say of the map."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise

from keymapper.auditing.parts import manner
from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.rules.maps import articulation, played_zones
from keymapper.auditing.subject import PackInstrument, PackZone, key_text


@rule(
    "map-turns",
    "warning",
    on="instrument",
    title="Round robins are not complete",
    why="A turn is missing or doubled: a key falls silent every so often, or sounds twice.",
    fix="Number seq_position from 1 to seq_length without a gap, with one seq_length for all.",
)
def turns(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Positions of the zones that share keys and velocities."""
    groups: dict[object, list[PackZone]] = defaultdict(list)
    for zone in instrument.zones:
        region = zone.region
        if instrument.mapped and region.seq_length > 1 and region.seq_position <= region.seq_length:
            place = (region.lokey, region.hikey, region.lovel, region.hivel, region.trigger)
            groups[place, articulation(zone)].append(zone)
    for zones in groups.values():
        lengths = {zone.region.seq_length for zone in zones}
        if len(lengths) > 1:
            texts = " and ".join(str(length) for length in sorted(lengths))
            yield _turn_hit(zones[0], texts, f"takes turns of {texts} on the same keys")
            continue
        positions = Counter(zone.region.seq_position for zone in zones)
        absent = [turn for turn in range(1, max(lengths) + 1) if turn not in positions]
        if absent:
            text = ", ".join(map(str, absent))
            yield _turn_hit(zones[0], text, f"has no turn {text} of {max(lengths)}")


def _turn_hit(zone: PackZone, measured: str, message: str) -> Hit:
    return Hit(file=zone.file, zone=zone.label, measured=measured, message=message)


@rule(
    "map-random-turns",
    "warning",
    on="instrument",
    limit=0.5,
    unit="percent",
    title="Random turns leave gaps or overlap",
    why="Every so often a key falls silent, or two samples sound at once.",
    fix="Let each hirand be the lorand of the next, from 0 to 1.",
)
def random_turns(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """How often no zone, or two, of those that share keys, velocities and manner would sound.

    A zone alone that sounds at times is no turn; zones with the same range are layers.
    """
    groups: dict[object, list[PackZone]] = defaultdict(list)
    for zone in played_zones(instrument):
        region = zone.region
        if region.lorand > 0 or region.hirand < 1:
            place = (region.lokey, region.hikey, region.lovel, region.hivel)
            turn = (region.seq_length, region.seq_position)
            groups[place, turn, manner(region)].append(zone)
    for zones in groups.values():
        spans = sorted({(zone.region.lorand, zone.region.hirand) for zone in zones})
        silent, doubled = _uncovered(spans), _doubled(spans)
        for percent, what in ((silent, "leave a key silent"), (doubled, "sound two at once")):
            if len(spans) > 1 and percent > limit:
                yield Hit(
                    file=zones[0].file,
                    zone=zones[0].label,
                    measured=round(percent, 1),
                    message=f"and its other random turns {what} {percent:.1f} % of the time",
                )


def _uncovered(spans: Sequence[tuple[float, float]]) -> float:
    """Return the percentage of 0 to 1 that no span holds; spans are in order."""
    reached, silent = 0.0, 0.0
    for low, high in spans:
        silent += max(0.0, low - reached)
        reached = max(reached, high)
    return 100 * (silent + max(0.0, 1.0 - reached))


def _doubled(spans: Sequence[tuple[float, float]]) -> float:
    """Return the percentage of 0 to 1 that spans share with those before; spans are in order."""
    reached, doubled = 0.0, 0.0
    for low, high in spans:
        doubled += max(0.0, min(reached, high) - low)
        reached = max(reached, high)
    return 100 * doubled


@rule(
    "map-turn-order",
    "warning",
    on="instrument",
    title="Round robins are not in the order of their names",
    why="Repeats come in another order than they were recorded in.",
    fix="Let seq_position follow the numbers in the names.",
)
def turn_order(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Judge turns of a key and layer whose numbers in names fall where seq_position rises."""
    groups: dict[object, list[PackZone]] = defaultdict(list)
    for zone in played_zones(instrument):
        if zone.region.seq_length > 1 and zone.hint and zone.hint.round_robin is not None:
            place = (zone.root_key, zone.region.lovel, zone.region.lokey)
            groups[place, articulation(zone)].append(zone)
    for zones in groups.values():
        zones.sort(key=lambda zone: zone.region.seq_position)
        named = [zone.hint.round_robin or 0 for zone in zones if zone.hint]
        for zone, before, after in zip(zones[1:], named, named[1:], strict=False):
            if after < before:
                yield Hit(
                    file=zone.file,
                    zone=zone.label,
                    measured=f"named {after}",
                    limit=f"turn {zone.region.seq_position}",
                    message=f"is named round robin {after}, but plays after {before}",
                )


@rule(
    "map-layer-order",
    "warning",
    on="instrument",
    title="Velocity layers are not in the order of their names",
    why="A soft sample plays when the key is struck hard.",
    fix="Let the velocity ranges follow the velocities in the names.",
)
def layer_order(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Layers of a key whose velocities in names fall where their ranges rise."""
    groups: dict[object, list[PackZone]] = defaultdict(list)
    for zone in played_zones(instrument):
        if zone.hint and zone.hint.velocity is not None:
            groups[zone.root_key, zone.region.seq_position, articulation(zone)].append(zone)
    for zones in groups.values():
        zones.sort(key=lambda zone: (zone.region.lovel, zone.region.hivel))
        for lower, upper in pairwise(zones):
            soft = lower.hint.velocity if lower.hint else None
            loud = upper.hint.velocity if upper.hint else None
            if soft and loud and loud < soft and upper.region.lovel > lower.region.lovel:
                yield Hit(
                    file=upper.file,
                    zone=upper.label,
                    measured=f"named {loud}",
                    limit=f"over {soft}",
                    message=f"is named velocity {loud}, but plays above {lower.file} "
                    f"(named {soft})",
                )


@rule(
    "map-name-disagrees",
    "warning",
    on="instrument",
    limit=0.5,
    unit="semitones",
    title="The key in a name disagrees with the map",
    why="Either the name or the zone is wrong; somebody will trust the wrong one.",
    fix="Rename the file, or correct pitch_keycenter.",
)
def name_disagrees(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Key of the name against the root, less what most names of the set differ by.

    Where a zone is transposed, its name may also say the key that the file itself sounds.
    """
    if not instrument.mapped:
        return
    disbelieved = {one.name: one.named for one in instrument.contradictions if one.kind == "key"}
    named: list[tuple[PackZone, int]] = []
    for zone in instrument.zones:
        key = zone.hint.key if zone.hint and zone.hint.key is not None else None
        key = disbelieved.get(zone.file or "", key)
        if key is not None:
            named.append((zone, key))
    if len(named) < 3:
        return
    usual, count = Counter(zone.root_key - key for zone, key in named).most_common(1)[0]
    if count < 0.5 * len(named):
        return
    for zone, key in named:
        roots = (zone.root_key, zone.natural_key)
        apart = min((root - key - usual for root in roots), key=abs)
        if abs(apart) > limit:
            yield Hit(
                file=zone.file,
                zone=zone.label,
                measured=apart,
                message=f"is named after {key_text(key + usual)}, its root is "
                f"{key_text(zone.root_key)}",
            )


@rule(
    "map-switch-without-default",
    "warning",
    on="instrument",
    title="Key switches without a default",
    why="The instrument stays silent until somebody finds the switch.",
    fix="Set sw_default to one of the switches.",
)
def switch_without_default(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Zones that wait for a key switch while no zone names the one to start with."""
    waiting = [zone for zone in instrument.zones if zone.region.sw_last is not None]
    if not waiting or any(zone.region.sw_default is not None for zone in instrument.zones):
        return
    switches = sorted({zone.region.sw_last for zone in waiting if zone.region.sw_last is not None})
    names = ", ".join(key_text(key) for key in switches)
    yield Hit(measured=names, message=f"has key switches ({names}), but no sw_default")
