"""`keymapper audit` from the command line."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import jsonschema
import pytest
import typer
from typer.testing import CliRunner

from keymapper.auditing.rules import ALL_RULES
from keymapper.cli import ErrorsAsLines
from keymapper.cli.audit import audit
from keymapper.formats.schemas import schema_text
from tests.faulty_packs import clean_pack, write_pack
from tests.pack_faults import dc, off
from tests.simple_notes import write_note

app = typer.Typer(cls=ErrorsAsLines, pretty_exceptions_enable=False)
app.command("audit")(audit)
app.command("other")(lambda: None)


@pytest.fixture(scope="module")
def spoiled(tmp_path_factory) -> Path:
    """A small pack with one note off its key and one off its centre."""
    pack = clean_pack(2, keys=8)
    off(pack)
    dc(pack)
    return write_pack(pack, tmp_path_factory.mktemp("packs") / "spoiled")


@pytest.fixture(autouse=True)
def own_places(tmp_path, monkeypatch):
    monkeypatch.setenv("KEYMAPPER_CACHE", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)


def _run(*arguments: str | Path, code: int = 0) -> str:
    result = CliRunner().invoke(app, ["audit", "--workers", "1", *map(str, arguments)])
    assert result.exit_code == code, result.output
    return result.stdout


def test_the_page_lies_where_one_stands_and_the_pack_stays_as_it_is(spoiled, tmp_path):
    before = sorted(path.name for path in spoiled.rglob("*"))
    assert "Page: report.html" in _run(spoiled)
    assert "<html" in (tmp_path / "report.html").read_text("utf-8")
    assert sorted(path.name for path in spoiled.rglob("*")) == before


def test_a_page_is_made_again_only_when_something_changed(tmp_path):
    for key in (60, 62, 64):
        write_note(tmp_path / "pack" / f"Tug {key}.wav", key)
    _run(tmp_path / "pack")
    page = tmp_path / "report.html"
    written = page.stat().st_mtime_ns
    _run(tmp_path / "pack")
    assert page.stat().st_mtime_ns == written
    write_note(tmp_path / "pack" / "Tug 64.wav", 64, decay_seconds=0.3)
    _run(tmp_path / "pack")
    assert page.stat().st_mtime_ns > written


def test_no_page_is_written_on_request(spoiled, tmp_path):
    assert "report.html" not in _run(spoiled, "--no-page")
    assert not (tmp_path / "report.html").exists()


def test_a_foreign_file_is_not_replaced_by_the_page(spoiled, tmp_path):
    (tmp_path / "report.html").write_text("mine", "utf-8")
    _run(spoiled, code=5)
    assert (tmp_path / "report.html").read_text("utf-8") == "mine"


def test_json_fits_its_schema_and_has_the_promised_fields_at_its_top(spoiled):
    report = json.loads(_run(spoiled, "--json"))
    jsonschema.Draft202012Validator(json.loads(schema_text("findings"))).validate(report)
    assert {"verdict", "diagnosis", "findings"} <= set(report)
    found = {one["rule"]: one for one in report["findings"]}
    assert {"tuning-off", "level-dc"} <= set(found)
    wanted = {"rule", "severity", "file", "zone", "measured", "limit", "unit", "message", "fix"}
    assert all(wanted <= set(one) for one in report["findings"])
    assert found["level-dc"]["limit"] == -50.0
    assert report["diagnosis"]["outliers"] == [found["tuning-off"]["file"]]


def test_the_terminal_tells_by_rule_and_ends_with_the_verdict(spoiled):
    lines = _run(spoiled).splitlines()
    headings = [line.split()[1] for line in lines if line.startswith("WARNING")]
    assert headings[:2] == ["tuning-off:", "tuning-neighbours:"]
    assert lines[-1].startswith("Playable")
    assert any(line.startswith("DRIFT") for line in lines)
    assert len(_run(spoiled, "--quiet").splitlines()) == 1


def test_the_second_report_is_the_first(spoiled):
    assert _run(spoiled, "--json") == _run(spoiled, "--json")


@pytest.mark.parametrize(
    ("fail_on", "code"), [("error", 0), ("warning", 1), ("note", 1), ("never", 0)]
)
def test_the_exit_code_guards_a_release(spoiled, fail_on, code):
    _run(spoiled, "--quiet", "--fail-on", fail_on, code=code)


def test_the_tuning_table_is_csv(spoiled):
    rows = list(csv.DictReader(io.StringIO(_run(spoiled, "--csv"))))
    assert len(rows) == 8
    assert [row["outlier"] for row in rows].count("True") == 1
    assert all(float(row["error_cents"]) >= 0 for row in rows)


def test_rules_are_listed_and_explained():
    listed = _run("--rules")
    assert all(rule.id in listed for rule in ALL_RULES)
    for rule in ALL_RULES:
        text = _run("--explain", rule.id)
        assert rule.why in text
        assert rule.fix in text


def test_a_misspelt_rule_is_one_line_with_the_nearest(spoiled):
    result = CliRunner().invoke(app, ["audit", "--explain", "tuning-of"])
    assert result.exit_code == 2
    assert "tuning-off" in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_rules_are_changed_with_a_reason_that_shows(spoiled):
    off_reason = "level-dc=the converter's own"
    report = _run(spoiled, "--off", off_reason, "--limit", "tuning-off=60:stretched")
    assert "level-dc: off (the converter's own)" in report
    assert "tuning-off: limit 60 (stretched)" in report
    told = json.loads(_run(spoiled, "--off", off_reason, "--json"))
    assert [one["reason"] for one in told["changes"]] == ["the converter's own"]
    assert "level-dc" not in {one["rule"] for one in told["findings"]}


def test_a_recipe_changes_rules(spoiled, tmp_path):
    recipe = tmp_path / "recipe.toml"
    recipe.write_text('[[audit.rule]]\nid = "level"\noff = true\nreason = "not ours"\n')
    assert "level: off (not ours)" in _run(spoiled, "--recipe", recipe)
    recipe.write_text('[[audit.rule]]\nid = "levle"\noff = true\nreason = "not ours"\n')
    result = CliRunner().invoke(app, ["audit", str(spoiled), "--recipe", str(recipe)])
    assert result.exit_code == 2
    assert "level" in result.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["nowhere"],
        ["{pack}", "--off", "=x"],
        ["{pack}", "--limit", "tuning-off"],
        ["{pack}", "--limit", "tuning-off=nan"],
        ["{pack}", "--limit", "file-unused=3"],
    ],
)
def test_wrong_usage_is_one_line(spoiled, arguments):
    typed = [one.format(pack=spoiled) for one in arguments]
    result = CliRunner().invoke(app, ["audit", *typed])
    assert result.exit_code in (2, 3)
    assert len(result.stderr.splitlines()) == 1


def test_many_packs_get_a_row_each(tmp_path):
    for name, key in [("one", 60), ("two", 48)]:
        for step in (0, 2, 4):
            write_note(tmp_path / name / f"Tug {key + step}.wav", key + step)
    lines = _run(tmp_path).splitlines()
    assert [line.split()[0] for line in lines[-5:-2]] == ["pack", "one", "two"]
    report = json.loads(_run(tmp_path, "--json"))
    assert [pack["pack"] for pack in report["packs"]] == ["one", "two"]
    assert report["diagnosis"] is None


def test_fixes_are_written_and_listed(spoiled, tmp_path):
    report = json.loads(_run(spoiled, "--write-fixes", tmp_path / "copy", "--json"))
    assert {one["what"] for one in report["mended"]} == {"tune"}
    after = json.loads(_run(tmp_path / "copy", "--json"))
    assert {one["rule"] for one in after["findings"]} == {"level-dc"}


def test_a_name_with_control_characters_moves_no_cursor(tmp_path):
    write_note(tmp_path / "a\x1b[2Jb.wav", 60)
    assert "\x1b" not in _run(tmp_path, "--all")
