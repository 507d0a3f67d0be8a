"""Joins made for trial."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops import find_loop
from keymapper.measuring.loops.crossfade import crossfade_seconds
from keymapper.measuring.loops.trial import fades_to_try
from tests.moving_notes import RATE
from tests.played_notes import played_note


def test_only_fades_that_are_clearly_shorter_are_tried_beside_the_one_asked_for() -> None:
    assert fades_to_try(11_025, RATE) == [11_025, 1323]
    assert fades_to_try(3000, RATE) == [3000, 1323]
    assert fades_to_try(176, RATE) == [176]


def test_where_partials_slip_out_of_step_a_shorter_fade_is_chosen() -> None:
    note = played_note("bass", 1008)  # stretched partials: a long fade lets some of them cancel
    verdict = find_loop(note.samples, note.rate, f0_hz=note.f0_hz)
    assert verdict.loop is not None
    assert verdict.correlation is not None
    asked_for = min(crossfade_seconds(verdict.correlation) * RATE, verdict.loop.length_frames // 2)
    assert 0 < verdict.crossfade_frames < 0.7 * asked_for


def test_a_trial_changes_nothing_in_the_note_and_comes_out_the_same_again() -> None:
    note = played_note("reed", 1042)
    before = np.array(note.samples)
    first, second = (find_loop(note.samples, note.rate, f0_hz=note.f0_hz) for _ in range(2))
    assert first == second
    assert np.array_equal(before, note.samples)
