"""What a rule is: one decorated function that yields hits for one subject.

The decorator turns the function into a `Rule`; `keymapper.auditing.rules.ALL_RULES` lists them by
hand. Ids start with their family, are selected by prefix, and are never renamed or reused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

from keymapper.model.finding import Severity

Scope = Literal["sample", "zone", "instrument", "pack"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """What a rule found in one place."""

    message: str
    """What is wrong, as the rest of a sentence that begins with the file."""
    measured: float | str | None = None
    file: str | None = None
    """Where it differs from the subject's own."""
    zone: str | None = None
    limit: float | str | None = None
    """Where it differs from the rule's."""
    fix: str | None = None
    """Where it is more precise than the rule's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotJudged:
    """Why a rule could not judge a subject."""

    reason: str
    file: str | None = None
    zone: str | None = None


Outcome = Hit | NotJudged
Check = Callable[[Any, float], Iterator[Outcome]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One thing the audit looks for."""

    id: str
    severity: Severity
    on: Scope
    title: str
    why: str
    fix: str
    limit: float
    """What the measured value is held against; 0 where there is nothing to move."""
    unit: str
    """Of the measured value and the limit; "" where the rule has no limit."""
    graver: str
    """Id of the rule that judges the same measure from its own limit on; "" for none."""
    check: Check

    @property
    def family(self) -> str:
        """The part of the id before the first dash."""
        return self.id.partition("-")[0]


def rule(
    identity: str,
    severity: Severity,
    *,
    on: Scope,
    limit: float = 0.0,
    unit: str = "",
    graver: str = "",
    **texts: str,
) -> Callable[[Check], Rule]:
    """Make a rule of a function that takes its subject and the limit in force.

    texts : title (the fault), why (it matters), fix (one thing to do).
    """

    def made(check: Check) -> Rule:
        return Rule(
            id=identity,
            severity=severity,
            on=on,
            limit=limit,
            unit=unit,
            graver=graver,
            check=check,
            title=texts["title"],
            why=texts["why"],
            fix=texts["fix"],
        )

    return made
