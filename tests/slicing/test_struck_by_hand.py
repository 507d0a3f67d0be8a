"""Notes played by hand to the clock, looked for where they were struck."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from keymapper.cutting import heard_pitch
from keymapper.errors import MeasurementError
from keymapper.slicing.clock import asked_notes
from keymapper.slicing.planned import slice_by_plan
from keymapper.slicing.struck_by_hand import are_steady, as_struck
from tests.session_takes import Key, Recording
from tests.slicing.takes import played, sheet_of

SHEET = sheet_of((40, 47, 52, 55, 60, 64, 67, 72), (60, 110))
PLAN = np.array([note.on_seconds for note in SHEET.notes])


def due_and_struck(patch, how, sheet=SHEET):
    _, heard = played(sheet, patch, how)
    plan = np.array([note.on_seconds for note in sheet.notes])
    due = asked_notes(heard, sheet, plan, how.latency_seconds, 0.0)
    return due, as_struck(heard, due)


@pytest.mark.parametrize("patch", ["lead", "brass", "chorus"])
def test_no_attack_is_lost_of_what_is_played_by_hand_to_the_clock(patch):
    between = Key(key=70, velocity=100, on_seconds=PLAN[9] - 0.5, off_seconds=PLAN[9] - 0.3)
    how = Recording(jitter_seconds=0.05, missing=frozenset({5}), extra=(between,), seed=3)
    take, heard = played(SHEET, patch, how)
    cut = slice_by_plan(heard, SHEET)
    found = {note.plan_index: note.onset_seconds for note in cut.notes}
    true = {note.plan_index: note.onset_seconds for note in take.notes}
    assert len(cut.notes) == len(PLAN)
    assert set(found) == set(true)
    late_ms = [1000 * (found[index] - true[index]) for index in true if index is not None]
    assert -6 < min(late_ms) <= max(late_ms) < 3
    assert np.median(np.abs(late_ms)) < 0.5
    assert cut.missing == (5,)
    assert cut.remarks[0].startswith("played by hand to the clock")


def test_where_playing_by_hand_fits_the_clock_elsewhere_the_order_of_keys_names_the_notes():
    how = Recording(jitter_seconds=0.08, missing=frozenset({5}), seed=3)
    take, heard = played(SHEET, "lead", how)
    cut = slice_by_plan(heard, SHEET, heard_pitch)
    assert cut.missing == (5,)
    assert [note.plan_index for note in cut.notes] == [note.plan_index for note in take.notes]


def test_notes_are_moved_to_their_strikes_and_end_where_the_next_one_was_struck():
    due, struck = due_and_struck("lead", Recording(jitter_seconds=0.08, seed=3))
    moved = [b.expected_seconds - a.expected_seconds for a, b in zip(due, struck, strict=True)]
    assert 0.035 < np.std(moved) < 0.06
    for one, following in pairwise(struck):
        assert one.off_seconds <= one.until_seconds <= following.expected_seconds


@pytest.mark.parametrize("patch", ["lead", "bell", "tails", "breath"])
def test_what_a_sequencer_plays_stays_where_the_clock_has_it(patch):
    due, struck = due_and_struck(patch, Recording(noise_dbfs=-60.0, jitter_seconds=0.003))
    assert struck == due


def test_strikes_that_are_heard_late_do_not_make_a_sequencer_s_notes_played_by_hand():
    _, heard = played(SHEET, "lead", how := Recording(seed=3))
    late = tuple(
        replace(one, seconds=one.seconds + (0.05 if place % 3 == 0 else 0.0))
        for place, one in enumerate(heard.candidates)
    )
    due = asked_notes(heard, SHEET, PLAN, how.latency_seconds, 0.0)
    assert as_struck(replace(heard, candidates=late), due) == due


def test_keys_that_sound_late_each_by_itself_are_not_played_by_hand():
    keys = [40, 45, 50, 55, 60, 65]
    sounded = [(key, 0.01 * (key - 40)) for key in keys * 2]
    struck = [
        (key, late * (-1) ** (place // len(keys))) for place, (key, late) in enumerate(sounded)
    ]
    assert are_steady(sounded)
    assert not are_steady(struck)


def test_strikes_near_the_notes_of_a_plan_do_not_speak_for_it_by_themselves():
    _, heard = played(SHEET, "lead", Recording(jitter_seconds=0.07, seed=3))
    with pytest.raises(MeasurementError, match="does not fit"):
        slice_by_plan(heard, SHEET, lambda samples, rate_hz: None)


def test_slow_patches_stay_where_the_clock_has_them():
    slow = sheet_of((40, 47, 52, 55, 60, 64, 67, 72), spacing=3.4, hold=2.0)
    due, struck = due_and_struck("pad", Recording(jitter_seconds=0.08, seed=3), slow)
    assert struck == due
