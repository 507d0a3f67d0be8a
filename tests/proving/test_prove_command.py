from __future__ import annotations

import json
from pathlib import Path

import pytest
import soundfile
import typer
from typer.testing import CliRunner

from keymapper.cli.prove import prove
from tests.proving.instruments import Zone, write_instrument

app = typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False)
app.command()(prove)

GOOD = Zone(low=60, high=61, root=60)
QUICK = ["--seconds", "1", "--workers", "1"]


def run(folder: Path, *arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(folder), *arguments])
    return result.exit_code, result.output


def test_a_good_instrument_ends_with_0_and_writes_the_proof(tmp_path: Path) -> None:
    write_instrument(tmp_path, [GOOD])
    target = tmp_path / "out.json"
    code, text = run(tmp_path, *QUICK, "--output", str(target))
    assert code == 0, text
    assert "everything lies within the limits" in text
    assert json.loads(target.read_text("utf-8"))["findings"] == []


@pytest.mark.parametrize(("fail_on", "code"), [("error", 0), ("warning", 1), ("never", 0)])
def test_findings_set_the_exit_code(tmp_path: Path, fail_on: str, code: int) -> None:
    write_instrument(tmp_path, [Zone(low=60, high=60, root=60, opcodes={"tune": "9"})])
    target = str(tmp_path / "out.json")
    ended, text = run(tmp_path, *QUICK, "--output", target, "--fail-on", fail_on)
    assert ended == code
    assert "proof-tuning (4)" in text


def test_json_goes_to_the_output(tmp_path: Path) -> None:
    write_instrument(tmp_path, [GOOD])
    target = tmp_path / "out.json"
    code, text = run(tmp_path, *QUICK, "--json", "--short", "--output", str(target))
    assert code == 0
    assert json.loads(text) == json.loads(target.read_text("utf-8"))


def test_the_page_lies_beside_the_proof_of_a_foreign_instrument(tmp_path: Path) -> None:
    write_instrument(tmp_path, [GOOD])
    code, text = run(tmp_path, *QUICK, "--short", "--output", str(tmp_path / "out" / "proof.json"))
    assert code == 0, text
    assert "<html" in (tmp_path / "out" / "report.html").read_text("utf-8")
    run(tmp_path, *QUICK, "--short", "--no-page", "--output", str(tmp_path / "bare" / "proof.json"))
    assert [path.name for path in (tmp_path / "bare").iterdir()] == ["proof.json"]


def test_a_phrase_is_written_for_listening(tmp_path: Path) -> None:
    write_instrument(tmp_path, [GOOD])
    target = tmp_path / "phrase.wav"
    code, text = run(tmp_path, "--play", "C4 C#4", "--output", str(target))
    assert code == 0, text
    assert "Turn your volume down" in text
    assert soundfile.info(target).channels == 2


def test_the_help_says_to_turn_the_volume_down_first() -> None:
    text = " ".join(CliRunner().invoke(app, ["--help"]).output.split())
    assert "turn your volume down first" in text
    assert "-6 dBFS" in text


def test_two_processes_give_the_same_proof_as_one(tmp_path: Path) -> None:
    write_instrument(tmp_path, [GOOD, Zone(low=62, high=70, root=66)])
    outputs = []
    for workers in ("1", "2"):
        target = tmp_path / f"{workers}.json"
        arguments = ("--seconds", "1", "--workers", workers, "--output", str(target))
        code, text = run(tmp_path, *arguments)
        assert code == 0, text
        outputs.append(target.read_bytes())
    assert outputs[0] == outputs[1]
