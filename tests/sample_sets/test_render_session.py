"""The demo session is what its script renders, and cutting it gives its truth back."""

import importlib
import json
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper.cutting import cut_takes, read_plan
from keymapper.formats.midi_file import midi_bytes
from keymapper.formats.session_sheet import session_sheet_json

SAMPLE_SETS = Path(__file__).parents[2] / "sample_sets"
SESSION = SAMPLE_SETS / "session"
TRUTH = json.loads((SESSION / "truth.json").read_text(encoding="utf-8"))
LARGEST_BYTES = 5_000_000


@pytest.fixture(scope="module")
def render_session():
    sys.path.insert(0, str(SAMPLE_SETS))
    try:
        return importlib.import_module("render_session")
    finally:
        sys.path.remove(str(SAMPLE_SETS))


def test_the_plan_is_the_one_its_recipe_gives():
    from keymapper.formats.session_sheet import read_session_table
    from keymapper.formats.toml_tables import table_to
    from keymapper.model.session import SessionSettings
    from keymapper.planning.sheet import plan_session

    table = read_session_table(SESSION / "recipe.toml")
    sheet = plan_session(table_to(SessionSettings, table, "recipe.toml"))
    assert (SESSION / "session.json").read_bytes() == session_sheet_json(sheet)
    assert (SESSION / "session.mid").read_bytes() == midi_bytes(sheet)


def test_the_take_renders_to_the_same_sound(render_session):
    sheet = read_plan(SESSION / "session.json").sheet
    last = len(sheet.notes) - 1
    note = sheet.notes[last]
    sound = render_session.lead_note(note, last, render_session.warm_up_cents(note.on_seconds))
    start = TRUTH["notes"][last]["key_down_frame"]
    take, _ = soundfile.read(SESSION / "take.flac", start=start, frames=len(sound))
    assert np.abs(take - take.mean() - sound).max() < 6e-4
    assert (SESSION / "take.flac").stat().st_size < LARGEST_BYTES


def test_cutting_it_gives_its_truth_back():
    report = cut_takes([SESSION / "take.flac"], read_plan(SESSION / "session.mid").sheet)
    assert report.missing == report.extra == ()
    assert report.latency_seconds == pytest.approx(TRUTH["latency_seconds"], abs=0.0005)
    assert report.drift_ppm == pytest.approx(TRUTH["drift_ppm"], abs=5)
    for note, true in zip(report.notes, TRUTH["notes"], strict=True):
        assert (note.plan_index, note.key) == (true["plan_index"], true["key"])
        early_ms = 1000 * (true["onset_frame"] / TRUTH["rate_hz"] - note.onset_seconds)
        assert -0.5 <= early_ms <= 3
