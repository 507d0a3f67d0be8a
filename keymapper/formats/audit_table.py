"""The `[audit]` table of a recipe: rules that were switched off, moved or reweighed, and why.

::

    [audit]
    reference_hz = 442

    [[audit.rule]]
    id = "level-dc"
    off = true
    reason = "the converter's own; cut when played"

    [[audit.rule]]
    id = "tuning-off"
    limit = 8
    reason = "stretched on purpose"
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from keymapper.formats.toml_tables import read_toml_table, table_to
from keymapper.model.finding import RuleChange, Severity


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditRuleTable:
    """One `[[audit.rule]]`."""

    id: str
    reason: str
    off: bool = False
    limit: float | None = None
    severity: Severity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditTable:
    """The whole `[audit]` table."""

    reference_hz: float | None = None
    rule: tuple[AuditRuleTable, ...] = ()

    def changes(self) -> tuple[RuleChange, ...]:
        """Return what the table changes of the rules."""
        return tuple(
            RuleChange(
                rule=one.id,
                reason=one.reason,
                off=one.off,
                limit=one.limit,
                severity=one.severity,
            )
            for one in self.rule
        )


def read_audit_table(path: Path) -> AuditTable:
    """Return the `[audit]` table of a recipe; one without gives the defaults.

    Raises
    ------
    InputError
        There is no such file, or it is not TOML.
    UsageError
        The table holds a key or value that is not known.
    """
    return table_to(AuditTable, read_toml_table(path, "audit"), f"{path} [audit]")
