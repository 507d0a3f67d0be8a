"""The content of the page of an audit: what was found, the drift, and every zone to be heard."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec

from keymapper import __version__
from keymapper.auditing.audit import AuditedPack
from keymapper.auditing.subject import PackInstrument, PackZone
from keymapper.model.finding import AuditReport, RuleChange, TuningRow
from keymapper.model.instrument import Zone
from keymapper.model.keys import key_name
from keymapper.model.sample_facts import SampleFacts
from keymapper.reporting.page.attention import gravest
from keymapper.reporting.page.audit_attention import audit_attention
from keymapper.reporting.page.charts import plain_text, signed_text
from keymapper.reporting.page.content import (
    FolderData,
    Mark,
    PageContent,
    PageNote,
    PageZone,
    TuningSet,
)
from keymapper.reporting.page.facts import measured_facts, sides_text
from keymapper.reporting.page.gathering import SampleToView, begin_gathering
from keymapper.reporting.page.regions import zone_of
from keymapper.workers import Workers

MOST_NOTES = 250
"""Samples drawn and played on one page; what is found in others is only listed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """A sample that gets a close-up, and the first zone that plays it."""

    pack: AuditedPack
    zone: PackZone
    facts: SampleFacts

    @property
    def file(self) -> str:
        return self.zone.file or ""

    @property
    def name(self) -> str:
        return _named(self.pack, self.file)


def _named(pack: AuditedPack, file: str) -> str:
    return file if pack.pack.name == "." else f"{pack.pack.name}/{file}".rstrip("/")


def _shown(audited: Sequence[AuditedPack]) -> list[_Shown]:
    return _playable(audited)[:MOST_NOTES]


def _playable(audited: Sequence[AuditedPack]) -> list[_Shown]:
    found: dict[str, _Shown] = {}
    for pack in audited:
        for zone in pack.pack.zones():
            if zone.file and zone.facts is not None:
                one = _Shown(pack=pack, zone=zone, facts=zone.facts)
                found.setdefault(one.name, one)
    return list(found.values())


def _beside(one: _Shown, page_folder: Path) -> str:
    """Return the path from the page to a sample, with `/`."""
    path = one.pack.read.source.root / one.file
    return Path(os.path.relpath(path, page_folder.resolve())).as_posix()


def gather_audit(
    audited: Sequence[AuditedPack], page_folder: Path, workers: Workers | None = None
) -> FolderData:
    """Return what the page of an audit needs of the samples.

    page_folder : where the page will lie; samples are played from there.
    """
    samples = [
        SampleToView(
            file=_beside(one, page_folder),
            loop=zone_of(one.zone).loop,
            f0_hz=one.facts.measurement.pitch.f0_hz,
        )
        for one in _shown(audited)
    ]
    return begin_gathering(samples, page_folder, workers)()


def audit_fingerprint(report: AuditReport, audited: Sequence[AuditedPack], folder: Path) -> str:
    """Return a digest of all that the page of an audit shows, the sound of every sample too."""
    bare = audit_content(report, audited, FolderData(views={}, total_bytes=0), folder)
    sounds = [
        (zone.file, zone.facts.audio_sha256)
        for pack in audited
        for zone in pack.pack.zones()
        if zone.facts is not None
    ]
    told = msgspec.json.encode([__version__, msgspec.to_builtins(bare), sounds])
    return hashlib.sha256(told).hexdigest()


def audit_content(
    report: AuditReport, audited: Sequence[AuditedPack], data: FolderData, page_folder: Path
) -> PageContent:
    """Return what the page of an audit shows."""
    shown = _shown(audited)
    numbers = {one.name: index for index, one in enumerate(shown)}
    attention = tuple(audit_attention(report.findings, numbers))
    parts = [(pack, instrument) for pack in audited for instrument in pack.pack.instruments]
    several = len(parts) > 1
    return PageContent(
        title=_title(audited),
        kind="Audit",
        verdict=report.verdict,
        grave=gravest(attention),
        figures=_figures(report, audited),
        attention=attention,
        layers=tuple(_named(pack, one.name) if several else "" for pack, one in parts),
        zones=tuple(
            zone
            for index, (pack, instrument) in enumerate(parts)
            for zone in _zones(pack, instrument, index, numbers)
        ),
        notes=tuple(_note(one, data, page_folder) for one in shown),
        tuning=tuple(one for pack in audited for one in _tuning(pack, numbers)),
        proof=None,
        origin=_origin(report),
        remark=_remark(len(_playable(audited)), len(shown)),
    )


def _remark(playable: int, shown: int) -> str:
    if playable == shown:
        return ""
    return (
        f"{shown} of {playable} samples are drawn and played on this page; what was found counts "
        "for all. Audit one pack by itself to see it whole."
    )


def _title(audited: Sequence[AuditedPack]) -> str:
    roots = [pack.read.source.root for pack in audited]
    return roots[0].name if len(roots) == 1 else f"{len(roots)} packs"


def _figures(report: AuditReport, audited: Sequence[AuditedPack]) -> tuple[tuple[str, str], ...]:
    counts = report.counts()
    packs = [("Packs", str(len(audited)))] if len(audited) > 1 else []
    return (
        *packs,
        ("Samples", str(sum(pack.samples for pack in report.packs))),
        ("Zones", str(sum(pack.zones for pack in report.packs))),
        ("Errors", str(counts["error"])),
        ("Warnings", str(counts["warning"])),
        ("Notes", str(counts["note"])),
        ("Not judged", str(len(report.unjudged))),
    )


def _zones(
    pack: AuditedPack, instrument: PackInstrument, index: int, numbers: dict[str, int]
) -> Iterator[PageZone]:
    """Yield the zones that can be played; bare recordings of one key take turns on it."""
    on_key = Counter(zone.root_key for zone in instrument.zones)
    turns: dict[int, int] = Counter()
    for found in instrument.zones:
        turns[found.root_key] += 1
        note = numbers.get(_named(pack, found.file)) if found.file else None
        if note is None or found.facts is None:
            continue
        zone = zone_of(found)
        if not instrument.mapped:
            zone = replace(
                zone, round_robin=turns[found.root_key], round_robins=on_key[found.root_key]
            )
        level = found.facts.measurement.levels.body_dbfs + zone.gain_db
        yield PageZone(zone=zone, note=note, layer=index, instrument=index, played_dbfs=level)


def _note(one: _Shown, data: FolderData, page_folder: Path) -> PageNote:
    facts, zone = one.facts, zone_of(one.zone)
    measured, rate, sample = facts.measurement, facts.rate, _beside(one, page_folder)
    judged = one.zone.loop
    marks = (
        ("onset", measured.course.onset_frame),
        ("attack over", measured.course.attack_end_frame),
    )
    file = f"{rate} Hz, {facts.encoding}, {sides_text(facts.channels)}"
    return PageNote(
        name=one.name,
        sample=sample,
        root_key=zone.root_key,
        tuning_cents=one.zone.deviation.cents,
        error_cents=measured.pitch.tuning_error_cents,
        recorded_dbfs=measured.levels.body_dbfs,
        join_db=judged.join.worst_db if judged and judged.join else None,
        f0_hz=measured.pitch.f0_hz,
        rate=rate,
        marks=tuple(Mark(seconds=frame / rate, name=name) for name, frame in marks),
        loop_seconds=None
        if zone.loop is None
        else (zone.loop.start_frame / rate, zone.loop.end_frame / rate),
        bands_db=measured.tone.bands_db,
        facts=(*_heard(one, zone), *measured_facts(measured), ("File", file)),
        remark=one.zone.deviation.reason.capitalize(),
        view=data.views.get(sample),
    )


def _heard(one: _Shown, zone: Zone) -> Iterator[tuple[str, str]]:
    """Yield how a sample plays in its zone."""
    yield "Plays at", key_name(zone.root_key)
    if one.zone.deviation.cents is not None:
        yield "In its zone", f"{signed_text(one.zone.deviation.cents, 1)} ct"
    if zone.loop is not None:
        yield "Loop", f"{plain_text(zone.loop.length_frames / one.facts.rate, 3)} s"
    if one.zone.loop is not None and one.zone.loop.join is not None:
        yield "Join", f"{signed_text(one.zone.loop.join.worst_db, 1)} dB against hearing"


def _tuning(pack: AuditedPack, numbers: dict[str, int]) -> Iterator[TuningSet]:
    """Yield a set for each diagnosis; where there is none, one for each tuned instrument."""
    files = {sample.file: _named(pack, sample.file) for sample in pack.pack.samples}
    notes = {file: numbers[name] for file, name in files.items() if name in numbers}
    for diagnosis in pack.diagnoses:
        yield TuningSet(
            name=_named(pack, diagnosis.set_name),
            rows=diagnosis.notes_table,
            notes=notes,
            corrected=False,
            diagnosis=diagnosis,
        )
    if pack.diagnoses:
        return
    for instrument in pack.pack.instruments:
        rows = tuple(_row(zone) for zone in instrument.zones if zone.facts is not None)
        if instrument.tuned and rows:
            name = _named(pack, instrument.name) or pack.read.source.root.name
            yield TuningSet(name=name, rows=rows, notes=notes, corrected=False)


def _row(zone: PackZone) -> TuningRow:
    region, deviation = zone.region, zone.deviation
    return TuningRow(
        file=zone.file or "",
        zone=zone.label,
        key=zone.root_key,
        velocity=region.hivel,
        round_robin=region.seq_position if region.seq_length > 1 else None,
        minutes=None,
        measured_cents=deviation.cents,
        error_cents=None if deviation.cents is None else deviation.error_cents,
        explained_cents=None,
        rest_cents=None,
        outlier=False,
        reason=deviation.reason,
    )


def _origin(report: AuditReport) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    packs = (
        tuple((pack.pack, pack.verdict) for pack in report.packs) if len(report.packs) > 1 else ()
    )
    unjudged = tuple(
        (
            " · ".join(text for text in (one.rule, one.file or "", one.zone or "") if text),
            one.reason,
        )
        for one in report.unjudged
    )
    changes = tuple((change.rule, _change_text(change)) for change in report.changes)
    return (
        ("Packs", packs),
        ("Not judged, and why", unjudged),
        ("Rules changed", changes),
        ("Tool", (("keymapper", report.tool_version),)),
    )


def _change_text(change: RuleChange) -> str:
    said = ["switched off"] if change.off else []
    if change.limit is not None:
        said.append(f"limit moved to {change.limit:g}")
    if change.severity is not None:
        said.append(f"counts as {change.severity}")
    return f"{', '.join(said)}: {change.reason}"
