"""What audit and proof found, held against the maker's waivers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from keymapper.formats.sfz import SfzProblem
from keymapper.model.finding import Finding
from keymapper.model.pack import PackFinding, Waiver
from keymapper.model.proof import ProofFinding
from keymapper.packing.findings import pack_finding

_RENAMED = frozenset(("file-wrong-case", "file-clashing-names", "file-unsafe-name"))
_REWRITTEN = frozenset(("encoding", "byte-order-mark", "backslash", "default-path-reset"))


def is_mended(finding: Finding, problems: Sequence[SfzProblem]) -> bool:
    """Tell whether packing mends a finding: it gives samples new names and writes the SFZ anew.

    problems : of the text of the instrument's SFZ.
    """
    if finding.rule == "sfz-portability":
        lasting = {one.message for one in problems if one.kind not in _REWRITTEN}
        return finding.message not in lasting
    return finding.rule in _RENAMED


def audit_findings(instrument: str, findings: Iterable[Finding]) -> list[PackFinding]:
    """Return what the audit of an instrument found, notes left out."""
    return [
        PackFinding(
            rule=one.rule,
            severity=one.severity,
            where=_place(instrument, one.file, one.zone),
            message=one.message,
            fix=one.fix,
            instrument=instrument,
        )
        for one in findings
        if one.severity != "note"
    ]


def proof_findings(instrument: str, findings: Iterable[ProofFinding]) -> list[PackFinding]:
    """Return what the proof of an instrument found, notes left out."""
    return [
        PackFinding(
            rule=one.rule,
            severity=one.severity,
            where=_place(instrument, one.file, one.zone),
            message=f"{one.message}{_measured(one)}",
            fix=one.fix,
            instrument=instrument,
        )
        for one in findings
        if one.severity != "note"
    ]


def _place(instrument: str, *places: str | None) -> str:
    return ": ".join([instrument, *[place for place in places if place]])


def _measured(finding: ProofFinding) -> str:
    if finding.measured is None:
        return ""
    limit = "" if finding.limit is None else f", limit {finding.limit:g}"
    return f" ({finding.measured:+.2f} {finding.unit}{limit})"


def waived(
    findings: Sequence[PackFinding], waivers: Sequence[Waiver]
) -> tuple[list[PackFinding], set[Waiver]]:
    """Return the findings with the reasons of those that are waived, and the waivers used.

    Errors are never waived.
    """
    used: set[Waiver] = set()
    marked = []
    for finding in findings:
        waiver = next((one for one in waivers if _covers(one, finding)), None)
        if waiver is None or finding.severity != "warning":
            marked.append(finding)
        else:
            used.add(waiver)
            marked.append(replace(finding, waived=waiver.reason))
    return marked, used


def unused_waivers(waivers: Sequence[Waiver], used: set[Waiver]) -> list[PackFinding]:
    """Return a finding for every waiver that waives nothing: the fault is gone, or misspelt."""
    return [
        pack_finding("waiver-unused", one.rule, "a waiver fits nothing that was found")
        for one in waivers
        if one not in used
    ]


def _covers(waiver: Waiver, finding: PackFinding) -> bool:
    own = waiver.instrument
    if own is not None and own.casefold() != finding.instrument.casefold():
        return False
    places = f"{finding.where.removeprefix(finding.instrument)}: "
    if waiver.file is not None and f": {waiver.file}: " not in places:
        return False
    return finding.rule == waiver.rule or finding.rule.startswith(f"{waiver.rule}-")
