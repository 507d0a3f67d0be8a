"""Onsets of a patch settled together: what is hidden keeps to others of its kind."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from keymapper.slicing.levels import Levels
from keymapper.slicing.settling import settled_onsets
from keymapper.slicing.timing import Asked, Timed

NOISE = cast(Levels, SimpleNamespace(noise_before=lambda seconds: 1e-8))


def timed(
    index: int,
    key: int,
    late_seconds: float,
    case: str = "clear",
    *,
    abrupt: bool = True,
    line_seconds: float = 0.0,
) -> Timed:
    """Return a note heard so long after its key went down, asked for off the line by so much."""
    on = 2.0 * (index + 1)
    asked = Asked(
        plan_index=index,
        patch=0,
        key=key,
        expected_seconds=on + line_seconds,
        off_seconds=on + 1.0,
        until_seconds=on + 2.0,
    )
    return Timed(
        asked=asked,
        onset_seconds=on + late_seconds,
        case=case,
        peak=0.5,
        abrupt=abrupt,
        swells=not abrupt,
    )


def lateness(note: Timed) -> float:
    assert note.onset_seconds is not None
    return note.onset_seconds - 2.0 * (note.asked.plan_index + 1)


def test_notes_hidden_by_a_tail_are_no_later_than_others_of_their_key_or_of_any() -> None:
    delays, median = {40: 0.001, 52: 0.004, 64: 0.010}, 0.0055
    hidden = {1, 5, 9}
    notes = [
        timed(index, key, delays[key] + (0.007 if index in hidden else 0.0), "tail")
        for index, key in enumerate([40, 52, 64] * 4)
    ]
    for note in settled_onsets(notes, notes, NOISE):
        delay = delays[cast(int, note.asked.key)]
        assert min(delay, median) - 0.001 <= lateness(note) <= delay


def test_an_abrupt_note_in_noise_keeps_its_onset_however_the_keys_differ() -> None:
    delays = np.linspace(0.0, 0.012, 9)
    notes = [
        timed(index, 40 + index, delay, "noise" if index % 2 else "clear")
        for index, delay in enumerate(delays)
    ]
    settled = [lateness(note) for note in settled_onsets(notes, notes, NOISE)]
    assert settled[1:5:2] == pytest.approx(delays[1:5:2], abs=0.001)
    assert all(late <= delay + 1e-9 for late, delay in zip(settled, delays, strict=True))


def test_notes_that_rise_out_of_tails_in_time_are_not_put_where_the_line_has_them() -> None:
    heard = [0.0015, 0.0005, 0.0012, 0.0003, 0.0018, 0.0009, 0.0011, 0.0007]
    notes = [
        timed(index, 60 + index, late, "tail", abrupt=False, line_seconds=0.012)
        for index, late in enumerate(heard)
    ]
    settled = [lateness(note) for note in settled_onsets(notes, notes, NOISE)]
    assert settled == pytest.approx(heard, abs=0.0015)
    assert all(one <= late + 1e-9 for one, late in zip(settled, heard, strict=True))


def test_a_few_notes_of_a_key_heard_late_do_not_make_one_under_a_tail_late() -> None:
    late = [timed(index, 39, seconds) for index, seconds in enumerate([0.001, 0.0002, 0.0011])]
    others = [timed(3 + index, 50 + index, 0.0001) for index in range(6)]
    hidden = timed(9, 39, -0.0003, "tail")
    notes = [*late, *others, hidden]
    settled = settled_onsets(notes, notes, NOISE)
    assert lateness(settled[-1]) <= 0.0001


def test_slow_notes_that_are_only_seen_to_grow_keep_what_is_seen() -> None:
    grown = [
        timed(index, 40 + index, 0.02 + 0.001 * index, "grown", abrupt=False) for index in range(5)
    ]
    unheard = [replace(note, onset_seconds=None, case=None) for note in grown]
    settled = settled_onsets(unheard, grown, NOISE)
    late = [lateness(note) for note in settled]
    assert late == pytest.approx([lateness(note) for note in grown], abs=0.005)
    assert all(one <= lateness(note) for one, note in zip(late, grown, strict=True))
