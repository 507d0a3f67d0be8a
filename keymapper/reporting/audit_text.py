"""An audit as text for the terminal: by rule, worst first, the verdict last."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from rich.table import Table

from keymapper.auditing.rules import rule_by_id
from keymapper.model.finding import AuditReport, Diagnosis, Finding, RuleChange
from keymapper.reporting.plain import one_line

MOST_LINES_A_RULE = 12
MOST_MENDED = 30


def report_lines(report: AuditReport, *, everything: bool) -> Iterator[str]:
    """Yield the report as lines; a rule that finds much is cut short unless everything is asked.

    Notes are counted in the verdict and told only when everything is asked for.
    """
    shown = [one for one in report.findings if everything or one.severity != "note"]
    for (severity, identity), group in groupby(shown, lambda one: (one.severity, one.rule)):
        yield from _rule_lines(severity, identity, list(group), everything=everything)
        yield ""
    for summary in report.packs:
        for diagnosis in summary.diagnoses:
            yield from diagnosis_lines(diagnosis)
            yield ""
    yield from _unjudged_lines(report, everything=everything)
    for change in report.changes:
        yield f"changed  {_change_text(change)}"
    yield from _mended_lines(report, everything=everything)


def _rule_lines(
    severity: str, identity: str, findings: list[Finding], *, everything: bool
) -> Iterator[str]:
    rule = rule_by_id(identity)
    title = rule.title if rule else identity
    yield f"{severity.upper():<8} {identity}: {title}"
    most = len(findings) if everything else MOST_LINES_A_RULE
    for finding in findings[:most]:
        yield f"         {_place(finding)}{one_line(finding.message)}"
    if len(findings) > most:
        yield f"         … and {len(findings) - most} more; --all tells them"
    fixes = {finding.fix for finding in findings}
    yield f"         do:  {one_line(findings[0].fix if len(fixes) == 1 or not rule else rule.fix)}"


def _place(finding: Finding) -> str:
    pack = "" if finding.pack == "." else f"{finding.pack}/"
    parts = [f"{pack}{finding.file}" if finding.file else pack.rstrip("/"), finding.zone or ""]
    place = one_line(
        "  ".join(f"[{part}]" if at else part for at, part in enumerate(parts) if part)
    )
    return f"{place}  " if place else ""


def diagnosis_lines(diagnosis: Diagnosis) -> Iterator[str]:
    """Yield what was found out about the drift of a set, and what to do."""
    yield f"DRIFT    {one_line(diagnosis.set_name)}: {one_line(diagnosis.sentence)}"
    for advice in diagnosis.advice:
        yield f"         do:  {one_line(advice)}"


def _unjudged_lines(report: AuditReport, *, everything: bool) -> Iterator[str]:
    if everything:
        for one in report.unjudged:
            place = one_line("  ".join(part for part in (one.file, one.zone) if part))
            yield f"unjudged {one.rule}  {place}: {one_line(one.reason)}"
    elif report.unjudged:
        yield f"unjudged {len(report.unjudged)} questions could not be judged; --all says which"


def _mended_lines(report: AuditReport, *, everything: bool) -> Iterator[str]:
    most = len(report.mended) if everything else MOST_MENDED
    for one in report.mended[:most]:
        pack = "" if one.pack == "." else f"{one.pack}/"
        place = f"{pack}{one.file}" + (f"  [{one.zone}]" if one.zone else "")
        yield one_line(f"mended   {place}  {one.what}: {one.before or '–'} → {one.after or '–'}")
    if len(report.mended) > most:
        yield f"         … and {len(report.mended) - most} more; --all tells them"


def _change_text(change: RuleChange) -> str:
    what = "off" if change.off else ""
    if change.limit is not None:
        what = f"limit {change.limit:g}"
    if change.severity is not None:
        what = f"{what} {change.severity}".strip()
    return one_line(f"{change.rule}: {what} ({change.reason})")


def summary_table(report: AuditReport) -> Table:
    """Return one row a pack."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("pack", "samples", "zones", "errors", "warnings", "notes", "offset"):
        table.add_column(heading, justify="left" if heading == "pack" else "right")
    for pack in report.packs:
        offsets = [f"{one.middle_cents:+.1f} ct" for one in pack.diagnoses]
        table.add_row(
            one_line(pack.pack),
            str(pack.samples),
            str(pack.zones),
            str(pack.errors),
            str(pack.warnings),
            str(pack.notes),
            ", ".join(offsets[:3]) or "–",
        )
    return table
