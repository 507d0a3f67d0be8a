"""Changes of rules: checked against the rules there are, and read from the command line."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence

from keymapper.auditing.rule import Rule
from keymapper.auditing.rules import ALL_RULES, rule_by_id
from keymapper.errors import UsageError
from keymapper.formats.toml_tables import nearest_name
from keymapper.model.finding import RuleChange

_OFF = re.compile(r"([a-z0-9-]+)(?:=(.*))?", re.DOTALL)
_LIMIT = re.compile(r"([a-z0-9-]+)=([^:\s]+)(?::(.*))?", re.DOTALL)
NO_REASON = "no reason given"


def checked_changes(changes: Iterable[RuleChange], where: str) -> tuple[RuleChange, ...]:
    """Return changes whose rules there are; a family may be switched off as a whole.

    Raises
    ------
    UsageError
        A rule is not known, has no limit to be moved, or nothing is changed.
    """
    checked = tuple(changes)
    for change in checked:
        rules = rules_named(change.rule)
        if not rules:
            names = [rule.id for rule in ALL_RULES] + sorted({rule.family for rule in ALL_RULES})
            nearest = nearest_name(change.rule, names)
            hint = f"did you mean {nearest!r}?" if nearest else "--rules lists them."
            raise UsageError(f"{where}: there is no rule {change.rule!r}; {hint}")
        if change.limit is not None and (len(rules) > 1 or not rules[0].unit):
            raise UsageError(f"{where}: {change.rule} has no limit that could be moved.")
        if change.limit is not None and not math.isfinite(change.limit):
            raise UsageError(f"{where}: the limit of {change.rule} must be a finite number.")
        if not change.off and change.limit is None and change.severity is None:
            raise UsageError(f"{where}: {change.rule}: say off, a limit or a severity.")
    return checked


def rules_named(name: str) -> Sequence[Rule]:
    """Return the rule of an id, or all rules of a family."""
    return [rule for rule in ALL_RULES if rule.id == name or rule.id.startswith(f"{name}-")]


def change_off(text: str) -> RuleChange:
    """Return the change that `RULE=REASON` on the command line asks for.

    Raises
    ------
    UsageError
        It is not written so.
    """
    match = _OFF.fullmatch(text)
    if match is None:
        raise UsageError(f'--off {text!r}: write RULE="why", for example level-dc="as recorded".')
    return RuleChange(rule=match[1], off=True, reason=(match[2] or "").strip() or NO_REASON)


def change_limit(text: str) -> RuleChange:
    """Return the change that `RULE=NUMBER:REASON` on the command line asks for.

    Raises
    ------
    UsageError
        It is not written so.
    """
    match = _LIMIT.fullmatch(text)
    try:
        limit = float(match[2]) if match else math.nan
    except ValueError:
        limit = math.nan
    if match is None or not math.isfinite(limit):
        raise UsageError(
            f'--limit {text!r}: write RULE=NUMBER:"why", for example tuning-off=8:"stretched".'
        )
    return RuleChange(rule=match[1], limit=limit, reason=(match[3] or "").strip() or NO_REASON)


def known_rule(identity: str) -> Rule:
    """Return the rule of an id.

    Raises
    ------
    UsageError
        There is none; the message names the nearest.
    """
    rule = rule_by_id(identity)
    if rule is None:
        nearest = nearest_name(identity, [rule.id for rule in ALL_RULES])
        hint = f"did you mean {nearest!r}?" if nearest else "--rules lists them."
        raise UsageError(f"there is no rule {identity!r}; {hint}")
    return rule
