"""Rules about how zones lie over keys and velocities."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise

from keymapper.auditing.overlaps import overlapping_zones
from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import PackInstrument, PackZone, key_text


def _played(instrument: PackInstrument) -> list[PackZone]:
    """Zones that some key and velocity can start."""
    return [
        zone
        for zone in instrument.zones
        if instrument.mapped and zone.region.trigger == "attack" and not _dead_reason(zone)
    ]


def _keys(zone: PackZone) -> range:
    return range(max(0, zone.region.lokey), min(127, zone.region.hikey) + 1)


def _switch(zone: PackZone) -> object:
    """Zones are compared within one articulation."""
    region = zone.region
    return (region.sw_last, region.controller_ranges)


@rule(
    "map-gap",
    "warning",
    on="instrument",
    limit=0.0,
    unit="keys",
    title="Keys without a zone",
    why="A key in the middle of the instrument stays silent.",
    fix="Stretch lokey or hikey of the neighbours over the gap.",
)
def gap(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Silent keys between the lowest and the highest; kits of one-shots may have them."""
    if not instrument.tuned:
        return
    articulations: dict[object, list[PackZone]] = defaultdict(list)
    for zone in _played(instrument):
        articulations[_switch(zone)].append(zone)
    for zones in articulations.values():
        played = {key for zone in zones for key in _keys(zone)}
        if not played or (
            all(len(_keys(zone)) == 1 for zone in zones)
            and len(zones) > 1
            and (_every(sorted(played)) > 1)
        ):
            continue
        silent = [key for key in range(min(played), max(played)) if key not in played]
        for low, high in _runs(silent):
            if high - low + 1 > limit:
                keys = key_text(low) if low == high else f"{key_text(low)}–{key_text(high)}"
                yield Hit(
                    zone=keys,
                    measured=high - low + 1,
                    message=f"has no zone at {keys}",
                )


def _every(keys: Sequence[int]) -> int:
    """Smallest distance between single keys: where all are apart, nobody meant to fill them."""
    return min((b - a for a, b in pairwise(keys)), default=1)


def _runs(values: Sequence[int]) -> Iterator[tuple[int, int]]:
    start = previous = None
    for value in values:
        if previous is None or value != previous + 1:
            if start is not None and previous is not None:
                yield start, previous
            start = value
        previous = value
    if start is not None and previous is not None:
        yield start, previous


@rule(
    "map-velocity-gap",
    "warning",
    on="instrument",
    limit=0.0,
    unit="velocities",
    title="Velocities without a zone",
    why="A key that sounds at other velocities stays silent at these.",
    fix="Stretch lovel or hivel of the layers over the gap.",
)
def velocity_gap(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Velocities of 1 to 127 at which a key that has zones is silent."""
    by_key: dict[tuple[object, int], set[int]] = defaultdict(set)
    for zone in _played(instrument):
        velocities = range(max(1, zone.region.lovel), min(127, zone.region.hivel) + 1)
        for key in _keys(zone):
            by_key[_switch(zone), key].update(velocities)
    gaps: dict[tuple[tuple[int, int], ...], list[int]] = defaultdict(list)
    for (_, key), sounding in by_key.items():
        silent = [velocity for velocity in range(1, 128) if velocity not in sounding]
        if len(silent) > limit:
            gaps[tuple(_runs(silent))].append(key)
    for runs, keys in gaps.items():
        for low, high in _runs(sorted(set(keys))):
            texts = ", ".join(f"{a}–{b}" if a != b else str(a) for a, b in runs)
            place = key_text(low) if low == high else f"{key_text(low)}–{key_text(high)}"
            yield Hit(
                zone=place,
                measured=sum(b - a + 1 for a, b in runs),
                message=f"is silent at velocities {texts} on {place}",
            )


@rule(
    "map-overlap",
    "warning",
    on="instrument",
    limit=0.0,
    unit="keys",
    title="Two zones overlap",
    why="Both samples sound at once: the note is louder and beats.",
    fix="Let one zone end where the next begins, or crossfade them.",
)
def overlap(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Zones that share keys and velocities under the same conditions, without being layered."""
    for found in overlapping_zones(_played(instrument)):
        if found.keys > limit:
            yield Hit(
                file=found.zone.file,
                zone=found.zone.label,
                measured=found.keys,
                message=f"overlaps with {found.other.file} ({found.other.label}) on "
                f"{found.keys} key(s) at {found.velocities} velocities",
            )


@rule(
    "map-unreachable",
    "warning",
    on="zone",
    title="A zone can never sound",
    why="It takes room and memory, and somebody thinks it is played.",
    fix="Correct its ranges or conditions, or take it out.",
)
def unreachable(zone: PackZone, _limit: float) -> Iterator[Outcome]:
    """Ranges that hold nothing, a turn beyond the last, an end before the start."""
    if zone.mapped:
        reason = _dead_reason(zone)
        if reason:
            yield Hit(message=f"can never sound: {reason}")


def _dead_reason(zone: PackZone) -> str:
    region = zone.region
    checks = {
        f"lokey {region.lokey} lies above hikey {region.hikey}": region.lokey > region.hikey,
        f"hikey is {region.hikey}": region.hikey < 0,
        f"lokey is {region.lokey}": region.lokey > 127,
        f"lovel {region.lovel} lies above hivel {region.hivel}": region.lovel > region.hivel,
        "hivel is 0": region.hivel < 1,
        f"turn {region.seq_position} of {region.seq_length} never comes": (
            region.seq_position > region.seq_length
        ),
        "lorand is not below hirand": region.lorand >= region.hirand,
        "its end lies at or before its start": region.end_frame is not None
        and region.end_frame <= max(0, region.offset_frames),
        "its offset lies beyond the file": zone.facts is not None
        and region.offset_frames >= zone.facts.frames,
        "its key switch lies outside the range of switches": _switch_is_out(zone),
        "a controller would have to be above its highest value": any(
            one.low > one.high for one in region.controller_ranges
        ),
    }
    return next((reason for reason, holds in checks.items() if holds), "")


def _switch_is_out(zone: PackZone) -> bool:
    region = zone.region
    if region.sw_last is None or region.sw_lokey is None or region.sw_hikey is None:
        return False
    return not region.sw_lokey <= region.sw_last <= region.sw_hikey


@rule(
    "map-transposed-far",
    "warning",
    on="zone",
    limit=12.0,
    unit="semitones",
    title="A sample is transposed too far",
    why="It sounds like another instrument: too dull or shrill, too slow or fast.",
    fix="Record more notes, or narrow the zone.",
)
def transposed_far(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Judge the key of a zone that lies farthest from its root, unless it tracks no key."""
    if not zone.mapped or zone.region.pitch_keytrack_cents == 0 or not _keys(zone):
        return
    low, high = _keys(zone)[0], _keys(zone)[-1]
    farthest = max(abs(low - zone.root_key), abs(high - zone.root_key))
    semitones = farthest * abs(zone.region.pitch_keytrack_cents) / 100
    if semitones > limit:
        yield Hit(
            measured=semitones,
            message=f"is transposed by up to {semitones:.0f} semitones from "
            f"{key_text(zone.root_key)}",
        )


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
            groups[place, _switch(zone)].append(zone)
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
    for zone in _played(instrument):
        if zone.region.seq_length > 1 and zone.hint and zone.hint.round_robin is not None:
            groups[zone.root_key, zone.region.lovel, zone.region.lokey].append(zone)
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
    for zone in _played(instrument):
        if zone.hint and zone.hint.velocity is not None:
            groups[zone.root_key, zone.region.seq_position, _switch(zone)].append(zone)
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
    """Key of the name against the root, less what most names of the set differ by."""
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
        apart = zone.root_key - key - usual
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
