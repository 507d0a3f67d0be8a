"""The audit of whatever lies at a path: find packs, read, measure, judge, explain."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from keymapper import __version__
from keymapper.auditing.assembly import Facts, assembled_pack
from keymapper.auditing.cache import FactsCache
from keymapper.auditing.diagnosis import diagnosed_set
from keymapper.auditing.judging import Judgement, judged_pack, sorted_findings
from keymapper.auditing.measuring_files import measured_files, orders_of, sounds_of
from keymapper.auditing.packs import find_packs
from keymapper.auditing.reading import ReadPack, read_pack
from keymapper.auditing.subject import Pack
from keymapper.errors import InputError
from keymapper.model.finding import AuditReport, Diagnosis, Finding, Mended, PackSummary, RuleChange
from keymapper.progress import Progress, no_progress
from keymapper.wording import counted
from keymapper.workers import Workers


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditSettings:
    """How an audit runs, and what of its rules was changed."""

    changes: tuple[RuleChange, ...] = ()
    reference_hz: float | None = None
    """None takes the manifest's, else 440."""
    pack_folder: Path | None = None
    """Where an `.sfz` file may take its samples from; None is its own folder."""
    as_one: bool = False
    cache: FactsCache | None = None
    """Where measurements are kept; None keeps none."""
    workers: int | None = None
    progress: Progress = no_progress


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditedPack:
    """One pack with all that was found out about it."""

    read: ReadPack
    pack: Pack
    judgement: Judgement
    diagnoses: tuple[Diagnosis, ...]
    changes: tuple[RuleChange, ...] = ()
    """Rules that were switched off or moved."""


def audit_path(path: Path, settings: AuditSettings) -> list[AuditedPack]:
    """Audit the packs at a path, in name order, writing nothing.

    Raises
    ------
    InputError
        There is nothing to audit, or a file that was named cannot be read.
    """
    sources = find_packs(path, pack_folder=settings.pack_folder, as_one=settings.as_one)
    reads = [read_pack(source, settings.reference_hz) for source in sources]
    if path.is_file() and any(one.unreadable for one in reads[0].instruments):
        raise InputError(f"{path}: {reads[0].instruments[0].unreadable}")
    orders = [order for read in reads for order in orders_of(read)]
    with Workers(settings.workers) as pool:
        results = iter(measured_files(orders, settings.cache, pool, settings.progress))
    if settings.cache is not None:
        settings.cache.prune()
    return [
        _audited(read, settings, {sound: next(results) for sound in sounds_of(read)})
        for read in reads
    ]


def _audited(read: ReadPack, settings: AuditSettings, facts: Facts) -> AuditedPack:
    pack = assembled_pack(read, facts)
    diagnoses = [diagnosed_set(read, instrument) for instrument in pack.instruments]
    return AuditedPack(
        read=read,
        pack=pack,
        judgement=judged_pack(pack, settings.changes),
        diagnoses=tuple(one for one in diagnoses if one is not None),
        changes=settings.changes,
    )


def audit_report(
    audited: list[AuditedPack],
    changes: tuple[RuleChange, ...],
    mended: tuple[Mended, ...] = (),
) -> AuditReport:
    """Return what an audit says as one report, worst first."""
    findings = tuple(sorted_findings(f for one in audited for f in one.judgement.findings))
    diagnoses = [diagnosis for one in audited for diagnosis in one.diagnoses]
    return AuditReport(
        tool_version=__version__,
        verdict=_verdict(findings, sum(len(one.pack.samples) for one in audited)),
        diagnosis=diagnoses[0] if len(diagnoses) == 1 else None,
        findings=findings,
        unjudged=tuple(u for one in audited for u in one.judgement.unjudged),
        changes=changes,
        packs=tuple(_summary(one) for one in audited),
        mended=mended,
    )


def _summary(audited: AuditedPack) -> PackSummary:
    findings, pack = audited.judgement.findings, audited.pack
    return PackSummary(
        pack=pack.name,
        verdict=_verdict(findings, len(pack.samples)),
        instruments=tuple(one.name for one in pack.instruments if one.name),
        samples=len(pack.samples),
        zones=sum(len(one.zones) for one in pack.instruments if one.mapped),
        errors=_count(findings, "error"),
        warnings=_count(findings, "warning"),
        notes=_count(findings, "note"),
        diagnoses=audited.diagnoses,
    )


def _count(findings: tuple[Finding, ...], severity: str) -> int:
    return sum(finding.severity == severity for finding in findings)


def _verdict(findings: tuple[Finding, ...], samples: int) -> str:
    """One line: what a buyer would say."""
    errors, warnings = _count(findings, "error"), _count(findings, "warning")
    notes = _count(findings, "note")
    found = f"{counted(errors, 'error')}, {counted(warnings, 'warning')}, {counted(notes, 'note')}"
    judged = f"{counted(samples, 'sample')}: {found}"
    if errors:
        return f"Not fit to sell: {judged}."
    if warnings:
        return f"Playable, but a careful ear will find something: {judged}."
    return f"Nothing to complain of: {judged}."
