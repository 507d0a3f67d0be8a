"""`keymapper plan` and `keymapper slice`, as a user meets them."""

import json

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from keymapper.cli import app
from keymapper.cutting import read_plan
from tests.session_takes import PATCHES, Recording, render_take
from tests.slicing.takes import sheet_of

RUN = CliRunner()
PLAN = (
    "plan", "--keys", "C3,E3,60,G4", "--velocities", "60,110", "--hold", "0.8", "--release", "0.4",
)  # fmt: skip


def keymapper(*arguments, code=0):
    result = RUN.invoke(app, [str(one) for one in arguments])
    assert result.exit_code == code, result.output
    return result


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """A planned folder and three takes of it: whole, a late part, and another rate."""
    top = tmp_path_factory.mktemp("session")
    keymapper(*PLAN, "--out", top / "plan")
    sheet = read_plan(top / "plan" / "session.json").sheet
    take = render_take(
        sheet.notes, PATCHES["lead"], Recording(missing=frozenset({6}), drift_ppm=90.0)
    )
    soundfile.write(top / "take.wav", take.samples, 48_000, subtype="PCM_24")
    soundfile.write(top / "take.flac", take.samples, 48_000, subtype="PCM_16")
    part = render_take(sheet.notes, PATCHES["lead"], Recording(seed=2))
    soundfile.write(top / "part.wav", part.samples[12 * 48_000 :], 48_000, subtype="PCM_24")
    soundfile.write(top / "other.wav", take.samples[::2], 24_000, subtype="PCM_24")
    soundfile.write(top / "silent.wav", np.zeros(48_000), 48_000, subtype="PCM_24")
    return top


def notes_of(folder):
    return json.loads((folder / "notes.json").read_text())


def test_plan_tells_what_the_session_takes(tmp_path):
    result = keymapper(*PLAN, "--out", tmp_path / "p", "--rate", 96000, "--bits", 24)
    assert "8 notes, 4 of count-in" in result.stdout
    assert "A take at 96000 Hz, 24 bits, 2 channels fills" in result.stdout
    assert sorted(path.name for path in (tmp_path / "p").iterdir()) == [
        "cues.txt", "session.json", "session.mid",
    ]  # fmt: skip
    again = keymapper(*PLAN, "--out", tmp_path / "p", code=5)
    assert "add --force" in again.stderr
    keymapper(*PLAN, "--out", tmp_path / "p", "--force", "--quiet")
    (tmp_path / "p" / "take.wav").write_text("mine")
    foreign = keymapper(*PLAN, "--out", tmp_path / "p", "--force", code=5)
    assert "holds take.wav, which is no part of an earlier result" in foreign.stderr
    assert (tmp_path / "p" / "take.wav").read_text() == "mine"


def test_plan_reads_the_session_of_a_recipe_and_options_win(tmp_path):
    recipe = tmp_path / "recipe.toml"
    recipe.write_text('[session]\nkeys = ["C3", "C4"]\nrepeats = 3\nmono = true\n')
    keymapper("plan", recipe, "--out", tmp_path / "p", "--repeats", 2)
    notes = json.loads((tmp_path / "p" / "session.json").read_text())["notes"]
    assert [n["key"] for n in notes if n["role"] == "note"] == [48, 48, 60, 60]


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (["--velocities", "0"], "velocity 0 is a note-off"),
        (["--velocities", "soft"], "'soft' is no whole number"),
        (["--keys", "C3,H9"], "'H9' is no key"),
        (["--keys", "200"], "key 200 lies outside 0..127"),
        (["--keys", "9" * 5000], "is no key"),
        (["--velocities", "9" * 5000], "is no whole number"),
        (["--repeats", "0"], "repeats must lie"),
    ],
)
def test_an_impossible_plan_is_one_line(tmp_path, options, reason):
    result = keymapper("plan", "--out", tmp_path / "p", *options, code=2)
    assert reason in result.stderr
    assert result.stderr.count("\n") == 1
    assert not (tmp_path / "p").exists()


@pytest.mark.parametrize("name", ["take.wav", "take.flac"])
def test_slice_by_plan_copies_every_note_bit_for_bit(session, tmp_path, name):
    result = keymapper(
        "slice", session / name, "--session", session / "plan/session.json", "--out", tmp_path / "n"
    )
    lost = f"session_052_v060_rr1{(session / name).suffix}"
    assert f"missing: plan 6 ({lost})" in result.stdout
    assert "11 notes, 1 missing, 0 extra" in result.stdout
    report = notes_of(tmp_path / "n")
    assert report["missing"] == [6]
    assert report["extra"] == []
    assert [n["plan_index"] for n in report["notes"]] == [0, 1, 2, 3, 4, 5, 7, 8, 9, 10, 11]
    assert report["notes"][4]["file"] == f"session_048_v060_rr1{(session / name).suffix}"
    take = soundfile.read(session / name, dtype="int32", always_2d=True)[0]
    for note in report["notes"]:
        copied = soundfile.read(tmp_path / "n" / note["file"], dtype="int32", always_2d=True)[0]
        assert np.array_equal(copied, take[note["first_frame"] : note["end_frame"]])
        assert (
            soundfile.info(tmp_path / "n" / note["file"]).subtype
            == soundfile.info(session / name).subtype
        )


def test_session_sheet_and_midi_file_are_the_same_plan(session, tmp_path):
    for option, plan in (("--session", "session.json"), ("--midi", "session.mid")):
        keymapper(
            "slice", session / "take.wav", option, session / "plan" / plan,
            "--out", tmp_path / plan, "--quiet",
        )  # fmt: skip
    assert notes_of(tmp_path / "session.json") == notes_of(tmp_path / "session.mid")


def test_a_later_take_fills_and_replaces(session, tmp_path):
    keymapper(
        "slice", session / "take.wav", session / "part.wav",
        "--session", session / "plan/session.json", "--out", tmp_path / "n", "--quiet",
    )  # fmt: skip
    report = notes_of(tmp_path / "n")
    assert report["missing"] == []
    takes = {note["plan_index"]: note["take"] for note in report["notes"]}
    assert takes[0] == 0
    assert takes[11] == 1
    assert report["takes"][1]["latency_seconds"] == pytest.approx(0.35 - 12, abs=0.002)


def test_slice_without_a_plan_names_by_pitch(session, tmp_path):
    keymapper("slice", session / "take.wav", "--out", tmp_path / "n", "--quiet")
    report = notes_of(tmp_path / "n")
    assert report["latency_seconds"] is None
    assert [note["key"] for note in report["notes"]][4:] == [48, 48, 52, 60, 60, 67, 67]


def test_slow_notes_without_a_plan_are_written(tmp_path):
    sheet = sheet_of((57, 64), (60, 100), spacing=4.2, hold=2.8)
    take = render_take(sheet.notes, PATCHES["pad"], Recording(rate_hz=24000))
    soundfile.write(tmp_path / "pad.wav", take.samples, take.rate_hz, subtype="PCM_24")
    keymapper("slice", tmp_path / "pad.wav", "--out", tmp_path / "n", "--quiet")
    assert len(notes_of(tmp_path / "n")["notes"]) == 4


def test_the_same_take_gives_the_same_bytes(session, tmp_path):
    for out in ("one", "two"):
        keymapper(
            "slice", session / "take.flac", "--session", session / "plan/session.json",
            "--out", tmp_path / out, "--quiet",
        )  # fmt: skip
    files = sorted(p.relative_to(tmp_path / "one") for p in (tmp_path / "one").rglob("*.*"))
    assert len(files) == 12
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


def test_only_earlier_notes_are_replaced(session, tmp_path):
    arguments = [
        "slice", session / "take.flac", "--session", session / "plan/session.json",
        "--out", tmp_path / "n", "--quiet",
    ]  # fmt: skip
    keymapper(*arguments)
    keymapper(*arguments, "--force")
    (tmp_path / "n" / "recipe.toml").write_text("name = 'mine'")
    foreign = keymapper(*arguments, "--force", code=5)
    assert "holds recipe.toml, which is no part of an earlier result" in foreign.stderr
    assert (tmp_path / "n" / "recipe.toml").read_text() == "name = 'mine'"


def test_notes_never_replace_the_take_they_are_cut_from(session, tmp_path):
    take = tmp_path / "n" / "take.flac"
    take.parent.mkdir()
    take.write_bytes((session / "take.flac").read_bytes())
    plan = session / "plan/session.json"
    result = keymapper("slice", take, "--session", plan, "--out", take.parent, "--force", code=5)
    assert "choose another folder" in result.stderr
    assert take.read_bytes() == (session / "take.flac").read_bytes()


@pytest.mark.parametrize(
    ("takes", "options", "code", "reason"),
    [
        (["silent.wav"], ["--session", "plan/session.json"], 4, "the take is silent"),
        (["silent.wav"], [], 4, "the take is silent"),
        (["none.wav"], [], 3, "cannot be read"),
        (["plan/cues.txt"], [], 3, "not readable as audio"),
        (["take.wav", "other.wav"], ["--session", "plan/session.json"], 3, "1 channels at 24000"),
        (["take.wav"], ["--midi", "plan/cues.txt"], 3, "not a Standard MIDI File"),
        (["take.wav"], ["--midi", "x.mid", "--session", "y.json"], 2, "both name a plan"),
        (["take.wav"], ["--starts=9"], 2, "where one take lies in its plan"),
        (["take.wav"], ["--session", "plan/session.json", "--starts=99"], 4, "may begin at"),
    ],
)
def test_what_cannot_be_cut_is_one_line(session, tmp_path, takes, options, code, reason):
    paths = [session / one for one in takes]
    full = [one if one.startswith("--") else session / one for one in options]
    result = keymapper("slice", *paths, *full, "--out", tmp_path / "n", "-q", code=code)
    assert reason in result.stderr
    assert result.stderr.count("\n") == 1
    assert not (tmp_path / "n").exists()
