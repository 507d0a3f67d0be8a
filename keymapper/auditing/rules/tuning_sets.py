"""Rules about pitch: within a note, between notes, and what file and name say of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from statistics import median

from keymapper.auditing.rule import Hit, NotJudged, Outcome, rule
from keymapper.auditing.rules.tuning import WRONG_KEY_CENTS, tuned_zones
from keymapper.auditing.subject import PackInstrument, PackZone, key_text, own_cents
from keymapper.model.keys import key_name

NEIGHBOURS = 2
LEAST_SUSTAIN_SECONDS = 0.3


@rule(
    "tuning-drift",
    "warning",
    on="zone",
    limit=8.0,
    unit="cents",
    title="The pitch drifts within the note",
    why="A held note ends elsewhere than it began, and a loop repeats the way back.",
    fix="Record it again once the instrument has warmed up, or loop a short steady part.",
)
def drift(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Judge the steady change of pitch over the sustain, vibrato and attack left out."""
    facts = zone.facts
    if facts is None or zone.deviation.cents is None:
        return
    pitch, course = facts.measurement.pitch, facts.measurement.course
    seconds = min(5.0, (course.note_off_frame - course.attack_end_frame) / facts.rate)
    if pitch.drift_cents_per_second is None or seconds < LEAST_SUSTAIN_SECONDS:
        return
    cents = pitch.drift_cents_per_second * seconds
    if abs(cents) > limit:
        yield Hit(
            measured=round(cents, 1),
            message=f"drifts {cents:+.1f} cents in {seconds:.1f} s",
        )


@rule(
    "tuning-neighbours",
    "warning",
    on="instrument",
    limit=8.0,
    unit="cents",
    title="A note disagrees with its neighbours",
    why="Even where a whole set is off, a scale over this key is heard as uneven.",
    fix="Tune it to its neighbours, or record it again.",
)
def neighbours(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Against the median of the two nearest keys on either side, in the same layer and turn."""
    layers: dict[object, list[PackZone]] = defaultdict(list)
    for zone in tuned_zones(instrument):
        layers[zone.layer].append(zone)
    for members in layers.values():
        members.sort(key=lambda zone: (zone.root_key, zone.file or ""))
        for index, zone in enumerate(members):
            others = _near(members, index)
            if len(others) < 3:
                continue
            middle = median(own_cents(instrument, one) for one in others)
            cents = own_cents(instrument, zone) - middle
            if abs(cents) > limit:
                yield Hit(
                    file=zone.file,
                    zone=zone.label,
                    measured=round(cents, 1),
                    message=f"lies {cents:+.1f} cents from its neighbours",
                )


def _near(members: Sequence[PackZone], index: int) -> list[PackZone]:
    """Two on either side; at the ends of the keyboard more from the other."""
    first = max(0, min(index - NEIGHBOURS, len(members) - 2 * NEIGHBOURS - 1))
    return [one for at, one in enumerate(members[first : first + 5], first) if at != index]


@rule(
    "tuning-turns",
    "warning",
    on="instrument",
    limit=5.0,
    unit="cents",
    title="Round robins of one key disagree in pitch",
    why="A repeated key changes its pitch from one stroke to the next.",
    fix="Give each turn its own `tune`, or let --write-fixes do it.",
)
def turns(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Judge the largest difference between turns of the same key and velocities."""
    yield from _disagreeing(
        instrument, limit, lambda z: (z.part, z.root_key, z.region.lovel, z.region.hivel), "turns"
    )


@rule(
    "tuning-layers",
    "warning",
    on="instrument",
    limit=5.0,
    unit="cents",
    title="Velocity layers of one key disagree in pitch",
    why="The pitch jumps when a key is struck harder, and crossfading layers beat.",
    fix="Give each layer its own `tune`, or let --write-fixes do it.",
)
def layers(instrument: PackInstrument, limit: float) -> Iterator[Outcome]:
    """Judge the largest difference between layers of the same key and turn."""
    yield from _disagreeing(
        instrument, limit, lambda z: (z.part, z.root_key, z.region.seq_position), "layers"
    )


def _disagreeing(
    instrument: PackInstrument, limit: float, group: object, what: str
) -> Iterator[Outcome]:
    groups: dict[object, list[PackZone]] = defaultdict(list)
    for zone in tuned_zones(instrument):
        groups[group(zone)].append(zone)  # type: ignore[operator]
    for members in groups.values():
        ordered = sorted(members, key=lambda zone: own_cents(instrument, zone))
        low, high = ordered[0], ordered[-1]
        if low.file == high.file:
            continue
        cents = own_cents(instrument, high) - own_cents(instrument, low)
        if limit < cents < WRONG_KEY_CENTS:
            middle = median(own_cents(instrument, zone) for zone in members)
            worst = max(members, key=lambda zone: abs(own_cents(instrument, zone) - middle))
            yield Hit(
                file=worst.file,
                zone=worst.label,
                measured=round(cents, 1),
                message=f"the {what} of {key_text(worst.root_key)} lie {cents:.1f} cents apart "
                f"({low.file} lowest, {high.file} highest)",
            )


@rule(
    "tuning-embedded-root",
    "warning",
    on="zone",
    limit=50.0,
    unit="cents",
    title="The root written in the file contradicts its sound",
    why="Samplers that trust the file's own root play it on a wrong key.",
    fix="Correct the root in the file, or let --write-fixes do it.",
)
def embedded_root(zone: PackZone, limit: float) -> Iterator[Outcome]:
    """Against what sounds; a root that the zone shares is judged with the zone."""
    facts = zone.facts
    if facts is None or facts.embedded is None or facts.embedded.root_key is None:
        return
    root, pitch = facts.embedded.root_key, facts.measurement.pitch
    if root == zone.root_key:
        return
    if zone.deviation.cents is None or pitch.root_key is None or pitch.tuning_cents is None:
        if zone.mapped:
            yield Hit(
                measured=100.0 * (root - zone.root_key),
                message=f"says its root is {key_name(root)}, its zone says "
                f"{key_text(zone.root_key)}",
            )
        return
    named = 100.0 * root + (facts.embedded.tuning_cents or 0.0)
    cents = named - (100.0 * pitch.root_key + pitch.tuning_cents)
    if abs(cents) > limit:
        yield Hit(
            measured=round(cents, 1),
            message=f"says its root is {key_name(root)}, but sounds {key_name(pitch.root_key)}",
            fix=f"Write root {key_name(pitch.root_key)} to its `smpl` chunk.",
        )


@rule(
    "tuning-name",
    "warning",
    on="instrument",
    title="The name of a file contradicts its sound",
    why="Whoever maps it by its name puts it on a wrong key.",
    fix="Rename the file after the key that sounds, or find out which recording it is.",
)
def name(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Names read for the set as a whole; only where the sound is sure."""
    files = sorted({zone.file for zone in instrument.zones if zone.file})
    for contradiction in instrument.contradictions:
        if contradiction.kind == "key" and contradiction.is_certain and instrument.tuned:
            yield Hit(
                file=files[contradiction.index],
                measured=key_text(round(contradiction.measured)),
                limit=key_text(contradiction.named),
                message=contradiction.reason,
            )


@rule(
    "tuning-no-pitch",
    "note",
    on="instrument",
    title="No pitch could be trusted",
    why="The note was not judged: whether it is in tune is not known.",
    fix="Listen to it; a noise or a drum needs nothing, a note may be too short or too noisy.",
)
def no_pitch(instrument: PackInstrument, _limit: float) -> Iterator[Outcome]:
    """Judge notes of a tuned set whose pitch is unknown, with the reason."""
    for zone in instrument.zones:
        if zone.facts is None or not zone.deviation.reason:
            continue
        if instrument.tuned and zone.region.pitch_keytrack_cents:
            yield Hit(
                file=zone.file,
                zone=zone.label,
                measured=None,
                message=f"was not judged for tuning: {zone.deviation.reason}",
            )
        else:
            yield NotJudged(file=zone.file, zone=zone.label, reason=zone.deviation.reason)
