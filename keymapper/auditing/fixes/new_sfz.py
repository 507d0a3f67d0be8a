"""An SFZ file for a folder of recordings that has none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from keymapper.auditing.fixes.plan import PRE_ROLL_SECONDS
from keymapper.auditing.judging import limit_in_force
from keymapper.auditing.rules import rule_by_id
from keymapper.auditing.subject import PackInstrument, PackZone
from keymapper.formats.sfz import SfzDocument, SfzHeader, write_sfz
from keymapper.mapping.assembling import assembled
from keymapper.mapping.headroom import (
    MOST_VOLUME_DB,
    highest_gain_db,
    lowered,
    played_peak_dbfs,
)
from keymapper.mapping.set_notes import PlacedNote, SetNote, by_area
from keymapper.model.finding import RuleChange
from keymapper.model.instrument import NoteHints, ResolvedLayout
from keymapper.model.loop import Loop
from keymapper.model.recipe import Recipe

LATE_SECONDS = 0.008


def sfz_of_recordings(
    instrument: PackInstrument,
    names: Mapping[str, str],
    loops: Mapping[str, Loop],
    changes: Sequence[RuleChange] = (),
) -> str:
    """Return the SFZ text that plays a folder of recordings as they lie there.

    All are turned down alike where one has more volume than players take, or plays over full scale.

    names : where each file lies in the copy. loops : found or written loops, by file.
    changes : rules switched off or moved; what they no longer find stays as it is.
    """
    zones = [zone for zone in instrument.zones if zone.facts is not None]
    layout: ResolvedLayout = "keys" if instrument.tuned else "one-shots"
    recipe = Recipe(reference_hz=instrument.reference_hz)
    assembly = assembled([_set_note(zone, instrument) for zone in zones], layout, recipe)
    volumes_db = [highest_gain_db(placed) for placed in assembly.placed]
    peaks = [(placed, _peak_dbfs(zones[placed.note])) for placed in assembly.placed]
    over_db = max(0.0, max(volumes_db, default=0.0) - MOST_VOLUME_DB, played_peak_dbfs([peaks]))
    regions = [
        SfzHeader(
            name="region",
            opcodes=(
                *_opcodes(zone, part, names, _least_cents(changes)),
                *_start(zone, limit_in_force("edge-late-start", changes, LATE_SECONDS)),
                *_playback(part, loops.get(zone.file or ""), layout),
            ),
        )
        for placed in assembly.placed
        for zone in (zones[placed.note],)
        for part in by_area(lowered(placed, over_db))
    ]
    return write_sfz(SfzDocument(headers=tuple(regions)))


def _peak_dbfs(zone: PackZone) -> float:
    assert zone.facts is not None
    return zone.facts.measurement.levels.peak_dbfs


def _set_note(zone: PackZone, instrument: PackInstrument) -> SetNote:
    assert zone.facts is not None
    hint = zone.hint
    named = hint is not None and hint.key is not None
    return SetNote(
        file=zone.file or "",
        measurement=zone.facts.measurement,
        hints=NoteHints(
            key=zone.root_key if named and instrument.tuned else hint.key if hint else None,
            velocity=hint.velocity if hint else None,
            round_robin=hint.round_robin if hint else None,
            is_release=hint.is_release if hint else False,
        ),
        sound=hint.sound if hint else zone.file or "",
        stored_key=None,
        correction=None,
    )


def _opcodes(
    zone: PackZone, placed: PlacedNote, names: Mapping[str, str], least_cents: float
) -> Sequence[tuple[str, str]]:
    place, file = placed.place, zone.file or ""
    cents = placed.decision.tuning_cents
    opcodes = [
        ("sample", names[file]),
        ("lokey", str(place.low_key)),
        ("hikey", str(place.high_key)),
        ("pitch_keycenter", str(placed.decision.root_key)),
        ("tune", str(-round(cents) if abs(cents) > least_cents else 0)),
        ("lovel", str(place.low_velocity)),
        ("hivel", str(place.high_velocity)),
        *_level(placed),
    ]
    if place.round_robins > 1:
        opcodes += [
            ("seq_length", str(place.round_robins)),
            ("seq_position", str(place.round_robin)),
        ]
    return opcodes


def _level(placed: PlacedNote) -> Sequence[tuple[str, str]]:
    """Volume and velocity curve; the highest point of the curve is 1."""
    points = placed.velocity_gains
    volume_db = highest_gain_db(placed)
    highest = volume_db - placed.gain_db
    volume = [("volume", f"{volume_db:.2f}")]
    if placed.velocity_tracking == "none":
        return [*volume, ("amp_veltrack", "0")]
    return volume + [
        (f"amp_velcurve_{point.velocity}", f"{10 ** ((point.gain_db - highest) / 20):.5f}")
        for point in points
    ]


def _least_cents(changes: Sequence[RuleChange]) -> float:
    """Return how far off a note may be and keep its tuning; none may by default."""
    slightly = limit_in_force("tuning-slightly-off", changes, 0.0)
    off = rule_by_id("tuning-off")
    assert off is not None
    return min(slightly, limit_in_force(off.id, changes, off.limit))


def _start(zone: PackZone, late_seconds: float) -> Sequence[tuple[str, str]]:
    if zone.facts is None or zone.facts.edges.lead_seconds < late_seconds:
        return []
    lead = zone.facts.edges.lead_seconds - PRE_ROLL_SECONDS
    return [("offset", str(round(lead * zone.facts.rate)))]


def _playback(
    placed: PlacedNote, loop: Loop | None, layout: ResolvedLayout
) -> Sequence[tuple[str, str]]:
    if placed.place.trigger == "release":
        return [("trigger", "release"), ("loop_mode", "one_shot")]
    if layout == "one-shots":
        return [("loop_mode", "one_shot"), ("ampeg_release", "0.15")]
    if loop is None:
        return [("loop_mode", "no_loop"), ("ampeg_release", "0.15")]
    return [
        ("loop_mode", "loop_continuous"),
        ("loop_start", str(loop.start_frame)),
        ("loop_end", str(loop.end_frame - 1)),
        ("ampeg_release", "0.3"),
    ]
