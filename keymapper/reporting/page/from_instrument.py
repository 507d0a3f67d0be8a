"""The content of the page of an instrument."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from keymapper.auditing.built_diagnosis import name_of_layer, notes_of_layer
from keymapper.model.finding import Diagnosis, TuningRow
from keymapper.model.instrument import Manifest, NoteRecord, Zone
from keymapper.model.keys import key_name
from keymapper.model.proof import Proof
from keymapper.reporting.instrument_text import level_dbfs
from keymapper.reporting.page.attention import doubts_attention, findings_attention, gravest
from keymapper.reporting.page.charts import plain_text, signed_text
from keymapper.reporting.page.content import (
    Attention,
    FolderData,
    Mark,
    PageContent,
    PageNote,
    PageZone,
    TuningSet,
)
from keymapper.reporting.page.elements import number
from keymapper.reporting.page.facts import measured_facts, sides_text
from keymapper.wording import counted

_DECIDED = {
    "sound": "by its sound",
    "name": "by its name",
    "recipe": "by the recipe",
    "file": "by the root stored in its file",
    "order": "by its place in the order",
    "plan": "by the plan of the session",
}
_LANES = ("", "release samples")


def instrument_content(
    manifest: Manifest, proof: Proof | None, data: FolderData, diagnoses: Sequence[Diagnosis] = ()
) -> PageContent:
    """Return what the page of an instrument shows."""
    by_file = {note.source.file: index for index, note in enumerate(manifest.notes)}
    by_sample = {note.sample.file: index for index, note in enumerate(manifest.notes)}
    attention = doubts_attention(manifest.doubts, manifest.skipped, by_file)
    if proof is not None:
        attention = (*findings_attention(proof.findings, by_sample), *attention)
    zones = tuple(_zone(zone, manifest, by_sample[zone.sample]) for zone in manifest.zones)
    return PageContent(
        title=manifest.name,
        kind="Instrument",
        verdict=_verdict(manifest, proof, attention),
        grave=gravest(attention),
        figures=_figures(manifest, proof, data),
        attention=attention,
        layers=_layer_names(manifest),
        zones=zones,
        notes=tuple(_note(note, data) for note in manifest.notes),
        tuning=_tuning(manifest, by_file, diagnoses),
        proof=proof,
        origin=_origin(manifest),
    )


def _verdict(manifest: Manifest, proof: Proof | None, attention: Sequence[Attention]) -> str:
    """One plain sentence: whether to play it, and what stands in the way."""
    grave = gravest(attention)
    lead = {"error": "Not ready", "warning": "Playable", "note": "Ready to play"}.get(
        grave or "note", "Ready to play"
    )
    things = sum(thing.severity != "note" for thing in attention)
    worst = _worst_played_cents(proof)
    what = f"{counted(len(manifest.notes), 'note')} on {counted(_keys(manifest), 'key')}"
    if worst is not None:
        what += f", in tune within {worst:.1f} cents as played"
    if not things:
        return f"{lead}: {what}, and nothing needs attention."
    return f"{lead}: {what}; {counted(things, 'thing')} to look at."


def _worst_played_cents(proof: Proof | None) -> float | None:
    """Return how far the worst note of a proof is off its key; None where none was judged."""
    notes = () if proof is None else proof.notes
    return max((abs(n.tuning_cents) for n in notes if n.tuning_cents is not None), default=None)


def _keys(manifest: Manifest) -> int:
    return len({key for z in manifest.zones for key in range(z.low_key, z.high_key + 1)})


def _figures(
    manifest: Manifest, proof: Proof | None, data: FolderData
) -> tuple[tuple[str, str], ...]:
    joins = [note.sample.join.worst_db for note in manifest.notes if note.sample.join]
    tunings = [n.measurement.pitch.tuning_cents for n in manifest.notes]
    off = [abs(cents) for cents in tunings if cents is not None]
    low = min(zone.low_key for zone in manifest.zones)
    high = max(zone.high_key for zone in manifest.zones)
    found = [
        ("Notes", str(len(manifest.notes))),
        ("Zones", str(len(manifest.zones))),
        ("Keys", f"{key_name(low)} – {key_name(high)}"),
    ]
    if off and manifest.layers[0].layout == "keys":
        found.append(("Worst tuning as recorded", f"{max(off):.1f} ct"))
    worst = _worst_played_cents(proof)
    if worst is not None:
        found.append(("Worst tuning as played", f"{worst:.1f} ct"))
    if joins:
        found.append(("Most audible join", f"{signed_text(max(joins), 1)} dB"))
    if data.total_bytes:
        found.append(("Samples", f"{data.total_bytes / 1e6:.1f} MB"))
    return tuple(found)


def _layer_names(manifest: Manifest) -> tuple[str, ...]:
    """Names of the parts of the map: each layer, and its release samples."""
    several = len(manifest.layers) > 1
    return tuple(
        " · ".join(text for text in (layer.folder if several else "", lane) if text)
        for layer in manifest.layers
        for lane in _LANES
    )


def _zone(zone: Zone, manifest: Manifest, note: int) -> PageZone:
    record = manifest.notes[note]
    layer = 0
    for index, facts in enumerate(manifest.layers):
        if facts.folder and record.source.file.startswith(f"{facts.folder}/"):
            layer = index
    return PageZone(
        zone=zone,
        note=note,
        layer=len(_LANES) * layer + (zone.trigger == "release"),
        played_dbfs=level_dbfs(zone, record),
    )


def _note(note: NoteRecord, data: FolderData) -> PageNote:
    pitch, course, rate = note.measurement.pitch, note.measurement.course, note.source.rate
    start = note.sample.processing.start_frame
    marks = [("onset", course.onset_frame), ("attack over", course.attack_end_frame)]
    length = note.sample.frames / note.sample.processing.rate
    loop, join = note.sample.loop, note.sample.join
    sample_rate = note.sample.processing.rate
    return PageNote(
        name=note.source.file,
        sample=note.sample.file,
        root_key=note.decision.root_key,
        tuning_cents=pitch.tuning_cents,
        error_cents=pitch.tuning_error_cents,
        recorded_dbfs=note.measurement.levels.body_dbfs,
        join_db=None if join is None else join.worst_db,
        f0_hz=pitch.f0_hz,
        rate=sample_rate,
        marks=tuple(
            Mark(seconds=(frame - start) / rate, name=name)
            for name, frame in marks
            if 0 <= (frame - start) / rate <= length and not note.sample.processing.reversed
        ),
        loop_seconds=None
        if loop is None
        else (loop.start_frame / sample_rate, loop.end_frame / sample_rate),
        bands_db=note.measurement.tone.bands_db,
        facts=tuple(_facts(note)),
        remark=_remark(note),
        view=data.views.get(note.sample.file),
    )


def _remark(note: NoteRecord) -> str:
    advice = f"; {note.loop.advice}" if note.loop.advice else ""
    text = f"{note.loop.reason}{advice}"
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _facts(note: NoteRecord) -> list[tuple[str, str]]:
    decision, sample = note.decision, note.sample
    found = [
        ("Root key", f"{key_name(decision.root_key)}, {_DECIDED[decision.decided_by]}"),
        *measured_facts(note.measurement),
        ("Gain", f"{signed_text(sample.processing.gain_db, 1)} dB"),
    ]
    if sample.loop is not None and sample.join is not None:
        seconds = sample.loop.length_frames / sample.processing.rate
        found.append(("Loop", f"{plain_text(seconds, 3)} s, {note.loop.kind}"))
        found.append(("Join", f"{signed_text(sample.join.worst_db, 1)} dB against hearing"))
        fade = sample.processing.crossfade_frames / sample.processing.rate
        found.append(("Crossfade", f"{plain_text(1000 * fade, 0)} ms"))
    if decision.velocity is not None:
        found.append(("Recorded at velocity", str(decision.velocity)))
    file = f"{sample.processing.rate} Hz, {sample.processing.bits} bits"
    return [*found, ("Sample", f"{file}, {sides_text(sample.channels)}")]


def _tuning(
    manifest: Manifest, by_file: dict[str, int], diagnoses: Sequence[Diagnosis]
) -> tuple[TuningSet, ...]:
    """One set of rows a layer; one-shots have no key to be in tune with."""
    by_name = {diagnosis.set_name: diagnosis for diagnosis in diagnoses}
    found = []
    for layer in manifest.layers:
        if layer.layout == "one-shots":
            continue
        name, notes = name_of_layer(manifest, layer), notes_of_layer(manifest, layer)
        diagnosis = by_name.get(name)
        rows = diagnosis.notes_table if diagnosis else tuple(map(_tuning_row, notes))
        found.append(
            TuningSet(name=name, rows=rows, notes=by_file, corrected=True, diagnosis=diagnosis)
        )
    return tuple(found)


def _tuning_row(note: NoteRecord) -> TuningRow:
    pitch, decision = note.measurement.pitch, note.decision
    minutes = note.source.first_frame / note.source.rate / 60 if note.source.take else None
    off = None if pitch.f0_hz is None else decision.tuning_cents
    return TuningRow(
        file=note.source.file,
        zone=key_name(decision.root_key),
        key=decision.root_key,
        velocity=decision.velocity,
        round_robin=decision.round_robin,
        minutes=minutes,
        measured_cents=off,
        error_cents=pitch.tuning_error_cents,
        explained_cents=None,
        rest_cents=None,
        outlier=False,
        reason="" if off is not None else "no pitch that could be trusted",
    )


def _origin(manifest: Manifest) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    """Credits, tool and settings, and every source with its fingerprint."""
    credit = (
        ("Name", manifest.name),
        ("Author", manifest.author or "not stated"),
        ("Licence", manifest.licence or "not stated"),
        ("Description", manifest.description or "none"),
        ("Reference", f"A4 = {number(manifest.reference_hz, 2)} Hz"),
    )
    remarks = tuple(
        (layer.folder or "The set", remark) for layer in manifest.layers for remark in layer.remarks
    )
    settings = tuple(_flat("", msgspec.to_builtins(manifest.recipe)))
    sources = tuple((n.source.file, f"SHA-256 {n.source.sha256}") for n in manifest.notes)
    return (
        ("Credits", credit),
        ("What was found out about the set", remarks),
        (f"Settings (keymapper {manifest.tool_version})", settings),
        ("Sources", sources),
    )


def _flat(prefix: str, value: Any) -> list[tuple[str, str]]:
    if isinstance(value, dict):
        return [row for name, one in value.items() for row in _flat(f"{prefix}{name}.", one)]
    if isinstance(value, list | tuple):
        if not value:
            return []
        return [row for n, one in enumerate(value, 1) for row in _flat(f"{prefix}{n}.", one)]
    return [] if value is None else [(prefix.rstrip("."), str(value))]
