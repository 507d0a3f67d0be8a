"""Rules about pitch."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from keymapper.auditing.rule import Hit, Outcome, rule
from keymapper.auditing.subject import PackInstrument, PackZone, key_text, own_cents
from keymapper.model.keys import nearest_key

WRONG_KEY_CENTS = 50.0
OCTAVE_TOLERANCE_CENTS = 60.0


def tuned_zones(instrument: PackInstrument) -> list[PackZone]:
    """Return the zones whose pitch is known and that play when a key goes down."""
    return [
        zone
        for zone in instrument.zones
        if zone.deviation.cents is not None and zone.region.sounds_when_pressed
    ]


@rule(
    "tuning-slightly-off",
    "note",
    on="instrument",
    limit=2.0,
    unit="cents",
    graver="tuning-off",
    title="A note is more than 2 cents off its key",
    why="Two notes of a pad held together beat when they are a few cents apart.",
    fix="Write the correction to `tune`, or let --write-fixes do it.",
)
def slightly_off(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Off by more than this limit, and by no more than that of `tuning-off`."""
    yield from _off(instrument, limit)


@rule(
    "tuning-off",
    "warning",
    on="instrument",
    limit=5.0,
    unit="cents",
    graver="tuning-wrong-key",
    title="A note is more than 5 cents off its key",
    why="Against a track in tune, this is heard as sour in anything that is held.",
    fix="Write the correction to `tune`, or let --write-fixes do it.",
)
def off(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Off by more than this limit, and by no more than that of `tuning-wrong-key`."""
    yield from _off(instrument, limit)


def _off(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    for zone in tuned_zones(instrument):
        cents = round(own_cents(instrument, zone), 2)
        if abs(cents) > limit and not _octaves(cents):
            yield Hit(
                file=zone.file,
                zone=zone.label,
                measured=cents,
                message=f"plays {cents:+.1f} ± {zone.deviation.error_cents:.1f} cents off "
                f"{key_text(zone.root_key)}",
                fix=_correction(zone, cents),
            )


def _correction(zone: PackZone, cents: float) -> str:
    if not zone.mapped:
        return f"Tune it by {-cents:+.0f} cents when it is mapped, or build with keymapper."
    return f"Set tune={round(zone.region.own_tune_cents - cents)} in its zone."


@rule(
    "tuning-wrong-key",
    "error",
    on="instrument",
    limit=50.0,
    unit="cents",
    title="A note sounds another key than the one it is mapped to",
    why="The zone plays a wrong note: its root, its tuning or its sample is not what it should be.",
    fix="Set pitch_keycenter to the key that sounds, or put the right sample in its place.",
)
def wrong_key(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Off by more than this limit, and not by octaves."""
    for zone in tuned_zones(instrument):
        cents = round(own_cents(instrument, zone), 2)
        if abs(cents) > limit and not _octaves(cents):
            sounding = zone.root_key + round(cents / 100)
            yield Hit(
                file=zone.file,
                zone=zone.label,
                measured=round(cents, 1),
                message=f"sounds {key_text(sounding)} where {key_text(zone.root_key)} should",
                fix=_root(zone, sounding),
            )


@rule(
    "tuning-octave",
    "error",
    on="instrument",
    limit=1.0,
    unit="octaves",
    title="A note sounds in another octave than the rest of its set",
    why="One key jumps by an octave in the middle of a scale.",
    fix="Set pitch_keycenter to the key that sounds, or put the right sample in its place.",
)
def octave(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Off by whole octaves from where the set lies."""
    for zone in tuned_zones(instrument):
        cents = own_cents(instrument, zone)
        octaves = _octaves(cents)
        if abs(octaves) >= limit:
            sounding = zone.root_key + 12 * octaves
            yield Hit(
                file=zone.file,
                zone=zone.label,
                measured=octaves,
                message=f"sounds {abs(octaves)} octave{'s' if abs(octaves) > 1 else ''} "
                f"{'above' if octaves > 0 else 'below'} {key_text(zone.root_key)}",
                fix=_root(zone, sounding),
            )


def _root(zone: PackZone, sounding: int) -> str:
    if not zone.mapped:
        return f"Rename it to {key_text(sounding)}, or record it again."
    written = sounding - zone.region.key_offset
    return f"Set pitch_keycenter={written}, or replace the sample."


def _octaves(cents: float) -> int:
    """Whole octaves a deviation amounts to; 0 where it is none."""
    octaves = round(cents / 1200)
    return octaves if abs(cents - 1200 * octaves) <= OCTAVE_TOLERANCE_CENTS else 0


@rule(
    "tuning-keytrack",
    "warning",
    on="instrument",
    limit=5.0,
    unit="cents",
    title="A zone is tuned on its root key only",
    why="The farther a key lies from the root, the more it is off; neighbouring zones part.",
    fix="Set pitch_keytrack=100, or take it out.",
)
def keytrack(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Judge the key farthest from the root by a keytrack near 100; another scale is no slip."""
    for zone in tuned_zones(instrument):
        region = zone.region
        slip = region.pitch_keytrack_cents - 100.0
        far = max((region.lokey, region.hikey), key=lambda key: abs(key - zone.root_key))
        key = nearest_key(far)
        cents = slip * (key - zone.root_key)
        if region.follows_keys and abs(cents) > limit:
            yield Hit(
                file=zone.file,
                zone=zone.label,
                measured=round(cents, 1),
                message=f"plays {cents:+.1f} cents off {key_text(key)}, as "
                f"pitch_keytrack is {region.pitch_keytrack_cents:g}",
            )


@rule(
    "tuning-set-offset",
    "warning",
    on="instrument",
    limit=1.0,
    unit="semitones",
    title="The set as a whole sounds other keys than it is mapped to",
    why="Every note is transposed: the instrument plays in another key than the one pressed.",
    fix="Use `transpose` to bring the set back, or keep it if the patch is meant to sound there.",
)
def set_offset(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Whole octaves are how a patch may be made; anything else is told as a fault."""
    shift = instrument.offset_semitones
    if abs(shift) >= limit and shift % 12:
        yield Hit(
            measured=shift,
            message=f"as a whole sounds {abs(shift)} semitones "
            f"{'above' if shift > 0 else 'below'} its keys",
            fix=f"Set transpose={-shift} for all zones, or move their pitch_keycenter.",
        )


@rule(
    "tuning-set-octave",
    "note",
    on="instrument",
    limit=1.0,
    unit="octaves",
    title="The set as a whole sounds octaves away from its keys",
    why="A patch may be made so; another instrument of the pack may not.",
    fix="Keep it if the patch is meant to sound there; else use `transpose`.",
)
def set_octave(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Whole octaves that all notes share."""
    shift = instrument.offset_semitones
    if abs(shift) >= 12 * limit and shift % 12 == 0:
        yield Hit(
            measured=shift // 12,
            message=f"as a whole sounds {abs(shift) // 12} octave(s) "
            f"{'above' if shift > 0 else 'below'} its keys",
        )


@rule(
    "tuning-layer-apart",
    "note",
    on="instrument",
    limit=2.0,
    unit="cents",
    title="A layer lies apart from the rest of the set",
    why="An octave, a fifth or a detuning may be what makes the sound, or a slip in a whole layer.",
    fix="Keep it if the layer is meant to sound there; else change its `transpose` or `tune`.",
)
def layer_apart(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Judge what all zones of a layer share; layers sound together or say they are transposed."""
    parts: dict[int, list[PackZone]] = defaultdict(list)
    for zone in tuned_zones(instrument):
        parts[zone.part].append(zone)
    for zones in parts.values():
        cents = zones[0].part_cents
        if abs(cents) > limit:
            yield Hit(
                file=zones[0].file,
                zone=zones[0].label,
                measured=round(cents, 1),
                message=f"begins a layer of {len(zones)} zones that lies {cents:+.0f} cents apart",
            )
