"""session.json and notes.json."""

import json
from dataclasses import replace

import jsonschema
import pytest

from keymapper.errors import InputError, UsageError
from keymapper.formats.notes_file import notes_json, read_notes
from keymapper.formats.schemas import schema_text
from keymapper.formats.session_sheet import (
    read_session_sheet,
    read_session_table,
    session_sheet_json,
)
from keymapper.formats.toml_tables import table_to
from keymapper.model.session import (
    CutNote,
    CutReport,
    CutTake,
    ExtraNote,
    KeySeconds,
    PatchCall,
    SessionSettings,
)
from keymapper.planning.sheet import plan_session

SHEET = plan_session(
    SessionSettings(patches=(PatchCall(name="Lamplight", program=3),), reference_every_seconds=60)
)
NOTE = CutNote(
    file="a_060_v100_rr1.wav",
    take=0,
    plan_index=3,
    role="note",
    patch=0,
    key=60,
    velocity=100,
    round_robin=1,
    onset_seconds=1.5,
    end_seconds=2.5,
    first_frame=72_000,
    end_frame=120_000,
    peak_dbfs=-6.0,
    signal_to_noise_db=50.0,
    doubtful=("soft: 5 dB above the noise floor",),
)
TAKE = CutTake(
    file="take.wav",
    rate_hz=48_000,
    channels=1,
    frames=480_000,
    missing_frames=0,
    latency_seconds=0.25,
    drift_ppm=-12.5,
    onsets_matched=1,
    onsets_found=2,
    noise_floor_dbfs=-80.0,
)
REPORT = CutReport(
    latency_seconds=0.25,
    drift_ppm=-12.5,
    missing=(1, 2),
    extra=(ExtraNote(take=0, onset_seconds=4.0, after_plan_index=3, doubles_plan_index=None),),
    notes=(NOTE,),
    takes=(TAKE,),
)


def test_a_sheet_reads_back_and_fits_its_schema(tmp_path):
    path = tmp_path / "session.json"
    path.write_bytes(session_sheet_json(SHEET))
    assert read_session_sheet(path) == SHEET
    schema = json.loads(schema_text("session"))
    jsonschema.Draft202012Validator(schema).validate(json.loads(path.read_text()))


def test_notes_read_back_and_fit_their_schema(tmp_path):
    path = tmp_path / "notes.json"
    path.write_bytes(notes_json(REPORT))
    assert read_notes(path) == REPORT
    content = json.loads(path.read_text())
    jsonschema.Draft202012Validator(json.loads(schema_text("notes"))).validate(content)
    assert {"latency_seconds", "drift_ppm", "missing", "extra", "notes"} <= set(content)
    assert {
        "file", "plan_index", "key", "velocity", "round_robin", "onset_seconds", "end_seconds",
        "signal_to_noise_db", "doubtful",
    } <= set(content["notes"][0])  # fmt: skip


def broken(**changes):
    sheet = json.loads(session_sheet_json(SHEET))
    note = sheet["notes"][5]
    for name, value in changes.items():
        (note if name in note else sheet)[name] = value
    return json.dumps(sheet)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "not a session sheet"),
        ("[" * 100_000, "not a session sheet"),
        ("{}", "missing required field 'format_version'"),
        (broken(format_version=2), "format 2, newer than this program knows"),
        (broken(notes=[]), "holds no notes"),
        (broken(key=128), "note 5: key 128 lies outside"),
        (broken(velocity=0), "note 5: velocity 0"),
        (broken(patch=1), "note 5: there is no patch 1"),
        (broken(on_seconds=0.5), "note 5: its times are not in order"),
        (broken(role="solo"), "Invalid enum value 'solo'"),
        (broken(round_robin=0), "note 5: round_robin 0"),
        (broken(key=39), "notes 5 and 6 have the same key, velocity and round_robin"),
    ],
)
def test_a_bad_sheet_is_refused_in_one_line(tmp_path, text, reason):
    path = tmp_path / "session.json"
    path.write_text(text)
    with pytest.raises(InputError, match=reason) as caught:
        read_session_sheet(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "name", ["../a.wav", "/a.wav", "x/../../a.wav", "C:a.wav", "..\\a.wav", ""]
)
def test_notes_may_not_name_files_elsewhere(tmp_path, name):
    path = tmp_path / "notes.json"
    path.write_bytes(notes_json(replace(REPORT, notes=(replace(NOTE, file=name),))))
    with pytest.raises(InputError, match="outside its folder"):
        read_notes(path)


def test_no_take_has_so_many_frames(tmp_path):
    path = tmp_path / "notes.json"
    text = notes_json(REPORT).decode()
    assert f'"frames": {TAKE.frames},' in text
    path.write_text(text.replace(f'"frames": {TAKE.frames},', f'"frames": {10**400},'))
    with pytest.raises(InputError, match="not a list of notes"):
        read_notes(path)


def test_the_session_table_of_a_recipe(tmp_path):
    path = tmp_path / "recipe.toml"
    path.write_text(
        'name = "x"\n[session]\nkeys = ["C3", 50]\nhold_seconds = [{key = 36, seconds = 8}]\n'
        '[[session.patches]]\nname = "A"\nprogram = 3\n'
    )
    settings = table_to(SessionSettings, read_session_table(path), "recipe.toml [session]")
    assert settings.hold_seconds == (KeySeconds(key=36, seconds=8.0),)
    assert settings.patches == (PatchCall(name="A", program=3),)
    path.write_text("[session]\nholdseconds = 3\n")
    with pytest.raises(UsageError, match="unknown key 'holdseconds'; did you mean 'hold_seconds'"):
        table_to(SessionSettings, read_session_table(path), "recipe.toml [session]")
    path.write_text("session = 3\n")
    with pytest.raises(UsageError, match="session must be a table"):
        read_session_table(path)
