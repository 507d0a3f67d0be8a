"""Hold a pack against the rules."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from keymapper.auditing.rule import Hit, Rule
from keymapper.auditing.rules import ALL_RULES, rule_by_id
from keymapper.auditing.subject import Pack, PackInstrument, PackSample, PackZone
from keymapper.model.finding import GRAVITY, Finding, RuleChange, Severity, Unjudged

Subject = Pack | PackInstrument | PackSample | PackZone


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the rules said about a pack."""

    findings: tuple[Finding, ...]
    unjudged: tuple[Unjudged, ...]


def judged_pack(pack: Pack, changes: Sequence[RuleChange] = ()) -> Judgement:
    """Return what all rules that are switched on find in a pack, worst first."""
    findings: list[Finding] = []
    unjudged: list[Unjudged] = []
    for rule in ALL_RULES:
        in_force = _in_force(rule, changes)
        if in_force is None:
            continue
        limit, severity = in_force
        highest = _highest(rule, changes)
        for subject in _subjects(pack, rule):
            for outcome in rule.check(subject, limit):
                if isinstance(outcome, Hit) and _is_over(outcome, highest):
                    continue
                if isinstance(outcome, Hit):
                    findings.append(_finding(pack, rule, subject, outcome, (limit, severity)))
                else:
                    unjudged.append(
                        Unjudged(
                            rule=rule.id,
                            pack=pack.name,
                            file=outcome.file or _file(subject),
                            zone=outcome.zone or _zone(subject),
                            reason=outcome.reason,
                        )
                    )
    return Judgement(
        findings=tuple(sorted_findings(dict.fromkeys(findings))),
        unjudged=tuple(dict.fromkeys(unjudged)),
    )


def sorted_findings(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings by gravity, then rule, then place; equal ones keep their order."""
    order = {rule.id: place for place, rule in enumerate(ALL_RULES)}
    return sorted(
        findings,
        key=lambda one: (
            -GRAVITY[one.severity],
            order.get(one.rule, len(order)),
            one.pack,
            one.file or "",
            one.zone or "",
        ),
    )


def limit_in_force(rule_id: str, changes: Sequence[RuleChange], usual: float) -> float:
    """Return what a measure is held against: `usual` where no limit was asked for.

    Infinity where the rule is switched off.
    """
    about = _about(rule_id, changes)
    return math.inf if any(change.off for change in about) else _limit(about, usual)


def _in_force(rule: Rule, changes: Sequence[RuleChange]) -> tuple[float, Severity] | None:
    """Return limit and severity once the changes are taken in, None where it is off."""
    about, severity = _about(rule.id, changes), rule.severity
    for change in about:
        if change.off:
            return None
        severity = severity if change.severity is None else change.severity
    return _limit(about, rule.limit), severity


def _about(rule_id: str, changes: Sequence[RuleChange]) -> list[RuleChange]:
    return [one for one in changes if f"{rule_id}-".startswith(f"{one.rule}-")]


def _limit(about: Sequence[RuleChange], usual: float) -> float:
    moved = [one.limit for one in about if one.limit is not None]
    return moved[-1] if moved else usual


def _highest(rule: Rule, changes: Sequence[RuleChange]) -> float:
    """Return up to where a rule judges: the limit of the graver one, also if that is off."""
    graver = rule_by_id(rule.graver)
    return math.inf if graver is None else _limit(_about(graver.id, changes), graver.limit)


def _is_over(hit: Hit, highest: float) -> bool:
    return isinstance(hit.measured, int | float) and abs(hit.measured) > highest


def _subjects(pack: Pack, rule: Rule) -> Iterator[Subject]:
    if rule.on == "pack":
        yield pack
    elif rule.on == "instrument":
        yield from pack.instruments
    elif rule.on == "zone":
        yield from pack.zones()
    else:
        yield from pack.samples


def _finding(
    pack: Pack, rule: Rule, subject: Subject, hit: Hit, in_force: tuple[float, Severity]
) -> Finding:
    limit, severity = in_force
    return Finding(
        rule=rule.id,
        severity=severity,
        pack=pack.name,
        file=hit.file or _file(subject),
        zone=hit.zone or _zone(subject),
        measured=hit.measured,
        limit=hit.limit if hit.limit is not None else limit if rule.unit else None,
        unit=rule.unit,
        message=hit.message,
        fix=hit.fix or rule.fix,
    )


def _file(subject: Subject) -> str | None:
    if isinstance(subject, PackSample | PackZone):
        return subject.file
    return subject.name or None if isinstance(subject, PackInstrument) else None


def _zone(subject: Subject) -> str | None:
    return subject.label if isinstance(subject, PackZone) else None
