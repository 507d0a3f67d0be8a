"""What the commands print, and how they end."""

import csv
import io
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper import BuildSettings, build_instrument
from keymapper.cli.build import summary_lines
from keymapper.proving.proof import ProofSettings, prove_instrument
from keymapper.workers import Workers
from tests.simple_notes import RATE, write_note


def keymapper(*arguments, cwd=None):
    environment = {**os.environ, "COLUMNS": "200"}
    environment.pop("KEYMAPPER_DEBUG", None)
    return subprocess.run(
        [sys.executable, "-m", "keymapper", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        env=environment,
        check=False,
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("recorded") / "lantern"
    write_note(folder / "Lantern C3.wav", 48)
    write_note(folder / "Lantern C4.wav", 60, decay_seconds=0.2)
    return folder


def test_build_tells_what_it_made(folder, tmp_path):
    result = keymapper("build", folder, cwd=tmp_path)
    assert result.returncode == 0
    assert "C2 – F#3" in result.stdout
    assert "2 zones, 1 looped, 0 to look at, 0 files skipped." in result.stdout
    assert "\x1b" not in result.stdout
    assert (tmp_path / "lantern-instrument" / "lantern.sfz").is_file()


@pytest.mark.skipif(sys.platform != "linux", reason="other systems have no such names")
@pytest.mark.parametrize("command", ["build", "audit"])
def test_a_folder_whose_name_is_no_text_is_refused_in_one_line(folder, tmp_path, command):
    named = tmp_path / os.fsdecode(b"lant\xe9rn")
    shutil.copytree(folder, named)
    result = keymapper(command, named)
    assert result.returncode == 3
    assert result.stderr.count("\n") == 1
    assert "is not valid text" in result.stderr


def test_of_a_long_text_that_cannot_be_written_a_part_is_told():
    written = "import keymapper.cli as c; c.app = ('x' * 9999 + chr(0xDCE9)).encode; c.main()"
    result = subprocess.run([sys.executable, "-c", written], capture_output=True, text=True)
    assert result.returncode == 3
    assert "\\udce9' is not valid text" in result.stderr
    assert len(result.stderr) < 400


def test_build_asks_before_it_replaces(folder, tmp_path):
    assert keymapper("build", folder, "--out", tmp_path / "o", "--quiet").stdout == ""
    again = keymapper("build", folder, "--out", tmp_path / "o")
    assert again.returncode == 5
    assert again.stderr.count("\n") == 1
    assert "add --force" in again.stderr
    assert keymapper("build", folder, "--out", tmp_path / "o", "--force").returncode == 0


def test_build_tells_what_a_recipe_beside_the_instrument_is_good_for(folder, tmp_path):
    build = ["build", folder, "--out", "o", "--no-proof", "--no-page"]
    recipe = str(Path("o") / "recipe.toml")

    def told(*options):
        result = keymapper(*build, *options, cwd=tmp_path)
        assert result.returncode == 0, result.stderr
        return [line for line in result.stdout.splitlines() if line.startswith("Recipe: ")]

    how = f"--recipe {recipe}"
    assert told("--write-recipe") == [f"Recipe: {recipe}; correct it and build again with {how}"]
    assert told("--force") == [f"Recipe: {recipe} is kept, unused; {how} builds by it"]
    assert told("--force", "--recipe", recipe) == [f"Recipe: {recipe} is kept as it was"]
    (line,) = told("--force", "--write-recipe")
    assert line.endswith("; move it away to get a new one")


def test_the_default_place_is_beside_the_folder_one_is_in(folder, tmp_path):
    within = tmp_path / "lantern"
    shutil.copytree(folder, within)
    result = keymapper("build", ".", "--no-proof", "--no-page", cwd=within)
    assert result.returncode == 0, result.stderr
    assert f"Instrument: {Path('..') / 'lantern-instrument'}" in result.stdout
    assert (tmp_path / "lantern-instrument" / "lantern.sfz").is_file()


def test_build_as_json(folder, tmp_path):
    result = keymapper("build", folder, "--out", tmp_path / "o", "--json")
    data = json.loads(result.stdout)
    assert [zone["root_key"] for zone in data["zones"]] == [48, 60]
    assert data["doubts"] == []


def test_measure_as_json_is_one_object_a_note(folder):
    rows = json.loads(keymapper("measure", folder, "--json").stdout)
    assert [row["file"] for row in rows] == ["Lantern C3.wav", "Lantern C4.wav"]
    needed = {
        "root_key", "tuning_cents", "tuning_error_cents", "f0_hz", "pitch_confidence", "doubtful",
        "drift_cents_per_second", "vibrato_hz", "vibrato_depth_cents", "loop",
    }  # fmt: skip
    assert needed <= set(rows[0])
    assert rows[0]["loop"]["start_frame"] < rows[0]["loop"]["end_frame"]
    assert rows[1]["loop"] is None


def test_measure_loops_are_in_frames_of_the_source(tmp_path):
    write_note(tmp_path / "in" / "C3.wav", 48, lead_seconds=0.5)
    row = json.loads(keymapper("measure", tmp_path / "in", "--json").stdout)[0]
    assert row["loop"]["start_frame"] > 0.5 * RATE
    samples, _ = soundfile.read(tmp_path / "in" / "C3.wav")
    before, after = row["loop"]["end_frame"], row["loop"]["start_frame"]
    assert np.allclose(samples[before : before + 200], samples[after : after + 200], atol=0.03)


def test_measure_as_csv(folder, tmp_path):
    printed = keymapper("measure", folder, "--csv").stdout
    rows = list(csv.DictReader(io.StringIO(printed)))
    assert rows[0]["root_key"] == "48"
    assert int(rows[0]["loop_end_frame"]) > int(rows[0]["loop_start_frame"])
    keymapper("measure", folder, "--out", tmp_path / "notes.csv")
    assert (tmp_path / "notes.csv").read_text() == printed


def test_build_takes_tuning_and_budget_from_the_command_line(folder, tmp_path):
    options = ["--bake-tuning", "--reference", "442", "--max-notes", "1", "--no-proof", "--no-page"]
    result = keymapper("build", folder, "--out", tmp_path / "o", "--quiet", *options)
    assert result.returncode == 0, result.stderr
    recipe = json.loads((tmp_path / "o" / "manifest.json").read_text("utf-8"))["recipe"]
    assert recipe["tuning"]["bake"]
    assert (recipe["reference_hz"], recipe["budget"]["max_notes"]) == (442.0, 1)
    assert len(list((tmp_path / "o" / "samples").iterdir())) == 1


def test_measure_draws_a_picture(folder, tmp_path):
    drawing, picture = tmp_path / "notes.svg", tmp_path / "notes.png"
    assert keymapper("measure", folder, "--quiet", "--plot", drawing).returncode == 0
    assert keymapper("measure", folder, "--quiet", "--plot", picture).returncode == 0
    assert "Tuning by key" in drawing.read_text("utf-8")
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_measure_flags_what_has_no_pitch(tmp_path):
    noise = np.random.default_rng(1).normal(0, 0.1, (RATE, 2))
    soundfile.write(tmp_path / "noise.wav", noise, RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "silence.wav", np.zeros((RATE, 2)), RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "tick.wav", np.ones((3, 1)) * 0.5, RATE, subtype="PCM_24")
    rows = json.loads(keymapper("measure", tmp_path, "--json").stdout)
    assert [row["file"] for row in rows] == ["noise.wav", "silence.wav", "tick.wav"]
    assert all(row["doubtful"] for row in rows)
    assert rows[1]["root_key"] is None


def test_reference_moves_the_cents(folder):
    rows = json.loads(keymapper("measure", folder, "--json", "--reference", "442").stdout)
    assert rows[0]["tuning_cents"] == pytest.approx(-7.85, abs=0.05)


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["build", "nowhere"], 3, "nowhere: there is no such folder."),
        (["build", "empty"], 3, "empty: holds no audio file"),
        (["build", "notes", "--recipe", "none.toml"], 3, "none.toml: cannot be read"),
        (["build", "notes", "--recipe", "wrong.toml"], 2, "did you mean 'name'"),
        (["build", "notes", "--rate", "7"], 2, "rate must lie in 8000..192000"),
        (["build", "notes", "--out", "notes/out"], 5, "choose another folder"),
        (["measure", "notes", "--out", "a.xml"], 2, "ends in .csv or .json"),
        (["measure", "notes", "--plot", "a.gif"], 2, "ends in .svg or .png"),
        (["measure", "broken"], 0, "broken.wav: not readable as audio"),
        (["build", "broken"], 3, "no recording in it can be used"),
    ],
)
def test_bad_input_is_one_line_and_a_code(tmp_path, arguments, code, message):
    (tmp_path / "empty").mkdir()
    write_note(tmp_path / "notes" / "C4.wav", 60)
    (tmp_path / "wrong.toml").write_text("nmae = 'x'")
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "broken.wav").write_text("not audio at all")
    result = keymapper(*arguments, cwd=tmp_path)
    assert result.returncode == code
    assert message in result.stderr
    assert result.stderr.count("\n") == 1
    assert "Traceback" not in result.stderr


def test_hostile_names_stay_on_one_line(tmp_path):
    folder = tmp_path / "in"
    write_note(folder / "C4.wav", 60)
    (folder / "evil\nname\x1b[31m.wav").write_text("no audio")
    result = keymapper("build", folder, "--out", tmp_path / "o")
    assert result.returncode == 0
    assert "skipped  evil\\nname\\x1b[31m.wav: not readable as audio" in result.stdout
    assert "\x1b" not in result.stdout


def test_help_and_version():
    assert "build" in keymapper("--help").stdout
    assert keymapper("--version").stdout.startswith("keymapper 0.")
    assert keymapper("nonsense").returncode == 2


def test_a_scale_beside_the_recipe_tunes_the_keys(folder, tmp_path):
    (tmp_path / "recipe.toml").write_text('[tuning]\nscale = "nineteen.scl"\n')
    steps = "\n".join(f"{1200 * step / 19:.5f}" for step in range(1, 20))
    (tmp_path / "nineteen.scl").write_text(f"Nineteen steps\n19\n{steps}\n")
    options = ["--recipe", tmp_path / "recipe.toml", "--out", tmp_path / "o", "--json"]
    zones = json.loads(keymapper("build", folder, *options).stdout)["zones"]
    assert all(zone["low_key"] == zone["high_key"] for zone in zones)


@pytest.mark.parametrize("how", ["--json", "--workers 1"])
def test_whoever_reads_may_stop_reading(folder, how):
    script = f"set -o pipefail; {sys.executable} -m keymapper measure {folder} {how} | true"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (141, "")


def test_joins_that_may_be_heard_are_told_beside_a_proof_that_leaves_them_out(tmp_path):
    write_note(tmp_path / "in" / "C4.wav", 60, seconds=3.0)
    settings = BuildSettings(workers=1, page=False)
    manifest = build_instrument(tmp_path / "in", tmp_path / "out", settings=settings)
    proof = prove_instrument(tmp_path / "out", ProofSettings(short=True), Workers(1))
    assert summary_lines(manifest, proof, tmp_path / "out")[-2].endswith("within the limits.")
    (note,) = manifest.notes
    join = replace(note.sample.join, click_db=3.0, worst_db=3.0)
    doubtful = replace(note, sample=replace(note.sample, join=join))
    lines = summary_lines(replace(manifest, notes=(doubtful,)), proof, tmp_path / "out")
    assert lines[-2].endswith("Joins that may be heard: 1.")
