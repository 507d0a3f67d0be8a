"""The `[audit]` table of a recipe."""

from __future__ import annotations

import pytest

from keymapper.errors import InputError, UsageError
from keymapper.formats.audit_table import AuditTable, read_audit_table
from keymapper.model.finding import RuleChange


def _read(tmp_path, text: str) -> AuditTable:
    path = tmp_path / "recipe.toml"
    path.write_text(text, encoding="utf-8")
    return read_audit_table(path)


def test_a_recipe_without_the_table_changes_nothing(tmp_path):
    assert _read(tmp_path, 'name = "Foghorn"\n') == AuditTable()


def test_rules_reasons_and_reference_are_read(tmp_path):
    table = _read(
        tmp_path,
        "[audit]\nreference_hz = 442\n"
        '[[audit.rule]]\nid = "level-dc"\noff = true\nreason = "cut when played"\n'
        '[[audit.rule]]\nid = "tuning-off"\nlimit = 8\nreason = "stretched"\n',
    )
    assert table.reference_hz == 442
    assert table.changes() == (
        RuleChange(rule="level-dc", reason="cut when played", off=True),
        RuleChange(rule="tuning-off", reason="stretched", limit=8.0),
    )


@pytest.mark.parametrize(
    "text",
    [
        "audit = 3\n",
        "[audit]\nrules = []\n",
        '[[audit.rule]]\nid = "level-dc"\noff = true\n',
        '[[audit.rule]]\nid = "level-dc"\nlimit = nan\nreason = "x"\n',
        '[[audit.rule]]\nid = "level-dc"\nseverity = "fatal"\nreason = "x"\n',
    ],
)
def test_what_is_not_known_is_refused(tmp_path, text):
    with pytest.raises(UsageError):
        _read(tmp_path, text)


def test_a_recipe_that_is_no_toml_is_refused(tmp_path):
    with pytest.raises(InputError):
        _read(tmp_path, "[audit\n")
    with pytest.raises(InputError):
        read_audit_table(tmp_path / "nowhere.toml")
