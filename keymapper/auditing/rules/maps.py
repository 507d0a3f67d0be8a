"""Rules about how zones lie over keys and velocities."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise

from keymapper.auditing.overlaps import overlapping_zones
from keymapper.auditing.parts import conditions, is_struck_by_controller
from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import PackInstrument, PackZone, key_text


def played_zones(instrument: PackInstrument) -> list[PackZone]:
    """Return the zones that some key and velocity can start."""
    return [
        zone
        for zone in instrument.zones
        if instrument.mapped and zone.region.sounds_when_pressed and not _dead_reason(zone)
    ]


def articulation(zone: PackZone) -> object:
    """Return what chooses a zone beside its key: zones are compared within one articulation."""
    return conditions(zone.region)


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
    """Silent keys between the lowest and the highest; kits of one-shots may have them.

    A key that only turns others off is meant to be silent.
    """
    if not instrument.tuned:
        return
    muting = {key for zone in instrument.zones if zone.region.is_mute for key in zone.keys}
    articulations: dict[object, list[PackZone]] = defaultdict(list)
    for zone in played_zones(instrument):
        articulations[articulation(zone)].append(zone)
    for zones in articulations.values():
        played = {key for zone in zones for key in zone.keys}
        if not played or (
            all(len(zone.keys) == 1 for zone in zones)
            and len(zones) > 1
            and (_every(sorted(played)) > 1)
        ):
            continue
        started = played | muting
        silent = [key for key in range(min(played), max(played)) if key not in started]
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
    for zone in played_zones(instrument):
        velocities = range(max(1, zone.region.lovel), min(127, zone.region.hivel) + 1)
        for key in zone.keys:
            by_key[articulation(zone), key].update(velocities)
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
    for found in overlapping_zones(played_zones(instrument)):
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
        f"hikey is {region.hikey}": region.hikey < 0 and not is_struck_by_controller(region),
        f"lokey is {region.lokey}": region.lokey > 127,
        f"lovel {region.lovel} lies above hivel {region.hivel}": region.lovel > region.hivel,
        "hivel is 0": region.hivel < 1,
        f"turn {region.seq_position} of {region.seq_length} never comes": (
            region.seq_position > region.seq_length
        ),
        "lorand is not below hirand": region.lorand >= region.hirand,
        "it is mute (end=-1) and in no group that others heed": region.is_mute
        and region.group == 0,
        "its end lies at or before its start": region.end_frame is not None
        and not region.is_mute
        and region.end_frame <= region.offset_frames,
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
    """Judge the key of a zone that lies farthest from its root, if a sample follows the keys.

    A wave made by the player, or cycled by it, sounds like itself on all of them. What `transpose`
    and `tune` say may undo a root that lies elsewhere; by itself it is how a layer is made.
    """
    region = zone.region
    if not zone.mapped or region.pitch_keytrack_cents == 0 or zone.is_wave:
        return
    if not zone.keys:
        return
    low, high = zone.keys[0], zone.keys[-1]
    root = min((zone.root_key, zone.natural_key), key=lambda key: max(key - low, high - key))
    farthest = max(abs(low - root), abs(high - root))
    semitones = farthest * abs(region.pitch_keytrack_cents) / 100
    if semitones > limit:
        yield Hit(
            measured=semitones,
            message=f"is transposed by up to {semitones:.0f} semitones from {key_text(root)}",
        )
