"""What needs attention in an audit: its findings, like with like."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from keymapper.auditing.rules import rule_by_id
from keymapper.model.finding import GRAVITY, Finding
from keymapper.reporting.page.attention import thing
from keymapper.reporting.page.content import Attention, FoundPlace


def audit_attention(findings: Iterable[Finding], notes: Mapping[str, int]) -> Iterator[Attention]:
    """Yield the findings of an audit rule by rule, the gravest first.

    notes : which note of the page each sample file is, with its pack before it.
    """
    groups: dict[tuple[int, str], list[Finding]] = {}
    for finding in findings:
        gravity = -GRAVITY[finding.severity]
        groups.setdefault((gravity, finding.rule), []).append(finding)
    for (_, identity), some in sorted(groups.items(), key=lambda group: group[0][0]):
        rule = rule_by_id(identity)
        alike = len({finding.fix for finding in some}) == 1 or rule is None
        yield thing(
            some[0].severity,
            rule.title if rule else identity,
            some[0].fix if alike or rule is None else rule.fix,
            [_audit_place(finding, notes) for finding in some],
        )


def _audit_place(finding: Finding, notes: Mapping[str, int]) -> FoundPlace:
    pack = "" if finding.pack == "." else f"{finding.pack}/"
    name = f"{pack}{finding.file or ''}".rstrip("/")
    where = " · ".join(text for text in (name, finding.zone or "") if text) or "the whole pack"
    return FoundPlace(where=where, measured=finding.message, note=notes.get(name))
