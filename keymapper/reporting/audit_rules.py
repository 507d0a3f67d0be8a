"""The rules of the audit in words."""

from __future__ import annotations

from collections.abc import Iterator

from keymapper.auditing.rule import Rule


def rules_lines(rules: tuple[Rule, ...]) -> Iterator[str]:
    """Yield one line a rule: id, severity, limit, title."""
    widest = max(len(rule.id) for rule in rules)
    for rule in rules:
        yield f"{rule.id:<{widest}}  {rule.severity:<7}  {limit_text(rule):<14}  {rule.title}"


def explained_lines(rule: Rule) -> Iterator[str]:
    """Yield all that is to be said about one rule."""
    yield f"{rule.id} ({rule.severity})"
    yield f"  {rule.title}."
    yield f"  Why it matters:  {rule.why}"
    yield f"  What is judged:  {(rule.check.__doc__ or '').strip().splitlines()[0]}"
    if rule.unit:
        yield f"  Limit:           {limit_text(rule)}"
        yield f'  To move it:      --limit {rule.id}=NUMBER:"why", or [[audit.rule]] in the recipe'
    yield f"  What to do:      {rule.fix}"
    yield f'  To switch off:   --off {rule.id}="why"'


def limit_text(rule: Rule) -> str:
    """Return a rule's limit with its unit, "–" where it has none."""
    return f"{rule.limit:g} {rule.unit}" if rule.unit else "–"
