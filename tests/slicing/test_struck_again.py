"""Keys struck again while they are held, whatever that does to their level."""

from dataclasses import replace

import numpy as np
import pytest

from keymapper.slicing.hearing import hear_take
from keymapper.slicing.planned import slice_by_plan
from tests.session_takes import PATCHES, Recording, render_take
from tests.slicing.takes import ArrayTake, played, sheet_of

SHEET = sheet_of(range(45, 69, 3), spacing=2.0, hold=1.2)
LOW = frozenset({0, 1})


def doubles(cut):
    return [note.doubles_plan_index for note in cut.notes if note.plan_index is None]


@pytest.mark.parametrize("patch", ["lead", "pluck", "bass", "bell", "tails", "breath"])
@pytest.mark.parametrize("cycles", [40.5, 60.5, 61.0])
def test_a_second_strike_is_told_in_and_out_of_step(patch, cycles):
    hertz = 440 * 2 ** ((SHEET.notes[4].key - 69) / 12)
    how = Recording(doubled={4: cycles / hertz}, channels=2)
    take, heard = played(SHEET, patch, how)
    cut = slice_by_plan(heard, SHEET)
    assert doubles(cut) == [4]
    true = [note.onset_seconds for note in take.notes if note.plan_index is None]
    told = [note.onset_seconds for note in cut.notes if note.plan_index is None]
    assert told == pytest.approx(true, abs=0.05)


@pytest.mark.parametrize("patch", ["lead", "chorus", "brass", "breath", "tails"])
def test_what_a_patch_does_while_it_is_held_is_no_strike(patch):
    _, heard = played(SHEET, patch, Recording(noise_dbfs=-60.0, hum_dbfs=-65.0))
    assert doubles(slice_by_plan(heard, SHEET)) == []


@pytest.mark.parametrize("patch", ["lead", "pluck", "bell"])
def test_what_a_key_does_as_late_in_each_of_its_notes_is_no_strike(patch):
    sheet = sheet_of(range(45, 69, 3), (60, 110), spacing=2.0, hold=1.2)
    for doubled, told in (((4,), [4]), ((4, 5), [])):
        how = Recording(doubled=dict.fromkeys(doubled, 0.3))
        _, heard = played(sheet, patch, how)
        assert doubles(slice_by_plan(heard, sheet)) == told


def test_a_tail_that_flares_up_before_the_next_note_is_none():
    take, _ = played(SHEET, "tails", Recording(noise_dbfs=None))
    rate, samples = take.rate_hz, take.samples.copy()
    first, end = (round((take.notes[5].onset_seconds - back) * rate) for back in (0.2, 0.01))
    samples[first:end] *= 3 * np.exp(-60 / rate * np.arange(end - first))[:, None]
    cut = slice_by_plan(hear_take(ArrayTake(samples, rate)), SHEET)
    assert [note.plan_index for note in cut.notes] == list(range(len(SHEET.notes)))


def test_an_attack_that_takes_longer_in_some_notes_is_no_strike():
    low, high = (frozenset(range(len(SHEET.notes))) - LOW, LOW)
    slow = replace(PATCHES["lead"], attack_seconds=0.25)
    takes = [
        render_take(SHEET.notes, patch, Recording(missing=missing))
        for patch, missing in ((slow, low), (PATCHES["lead"], high))
    ]
    mixed = np.sum([take.samples for take in takes], axis=0)
    cut = slice_by_plan(hear_take(ArrayTake(mixed, takes[0].rate_hz)), SHEET)
    assert len(cut.notes) == len(SHEET.notes)


def test_the_tail_of_a_loud_note_that_beats_with_a_soft_one_is_no_strike():
    notes = tuple(
        replace(note, key=37 if index < 4 else 41, velocity=120 if index < 4 else 30)
        for index, note in enumerate(SHEET.notes)
    )
    sheet = replace(SHEET, notes=notes)
    _, heard = played(sheet, "tails", Recording(noise_dbfs=-85.0))
    assert doubles(slice_by_plan(heard, sheet)) == []


def sawtooths(sheet, struck, rate=44_100):
    """A synth without a filter; the notes struck sound once more, 0.3 s later."""
    samples = np.random.default_rng(2).normal(0, 1e-4, (round(rate * sheet.duration_seconds), 1))
    for index, note in enumerate(sheet.notes):
        hertz = 440.0 * 2 ** ((note.key - 69) / 12)
        seconds = np.arange(round(1.4 * rate)) / rate
        wave = sum(
            np.sin(2 * np.pi * k * (hertz * seconds + 0.1 * index)) / k
            for k in range(1, min(60, int(0.4 * rate / hertz)))
        )
        wave *= np.minimum(1 - np.exp(-seconds / 0.004), np.exp(-(seconds - 1.2) / 0.03))
        for later in (0.0, 0.3) if index in struck else (0.0,):
            first = round((note.on_seconds + later) * rate)
            samples[first : first + len(wave), 0] += 0.05 * wave
    return ArrayTake(samples, rate)


@pytest.mark.parametrize("lowest_key", [21, 24, 26])
@pytest.mark.parametrize("struck", [[], [0]])
def test_the_periods_of_a_low_note_are_no_strikes_and_hide_none(lowest_key, struck):
    sheet = sheet_of([lowest_key, *range(40, 84, 4)], spacing=2.0, hold=1.2)
    cut = slice_by_plan(hear_take(sawtooths(sheet, struck)), sheet)
    assert doubles(cut) == struck


@pytest.mark.parametrize(
    ("patch", "voices_cents"),
    [("tails", (-30.0, 30.0)), ("lead", (-12.0, 13.0)), ("lead", (-25.0, 0.0, 25.0))],
)
def test_one_note_that_beats_among_calm_ones_is_no_strike(patch, voices_cents):
    beating, others = 3 if patch == "lead" else 5, range(len(SHEET.notes))
    wide = replace(PATCHES[patch], voices_cents=voices_cents)
    takes = [
        render_take(SHEET.notes, PATCHES[patch], Recording(missing=frozenset({beating}))),
        render_take(SHEET.notes, wide, Recording(missing=frozenset(others) - {beating})),
    ]
    mixed = np.sum([take.samples for take in takes], axis=0)
    heard = hear_take(ArrayTake(mixed, takes[0].rate_hz))
    assert doubles(slice_by_plan(heard, SHEET)) == []
