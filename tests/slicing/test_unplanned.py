"""Takes cut without a plan."""

import numpy as np
import pytest

from keymapper.errors import MeasurementError
from keymapper.slicing.hearing import hear_take
from keymapper.slicing.unplanned import slice_unplanned
from tests.session_takes import Recording
from tests.slicing.takes import ArrayTake, played, sheet_of


@pytest.mark.parametrize(
    ("patch", "spacing", "hold"),
    [
        ("lead", 1.6, 0.8), ("pluck", 1.6, 0.8), ("bass", 1.6, 0.8), ("bell", 1.6, 0.8),
        ("chorus", 2.0, 1.2), ("breath", 1.6, 0.8), ("brass", 1.6, 0.8), ("tails", 2.2, 1.2),
        ("pad", 4.6, 2.6), ("click_pad", 4.2, 2.6),
    ],
)  # fmt: skip
def test_each_note_comes_out_once(patch, spacing, hold):
    sheet = sheet_of(range(40, 76, 5), spacing=spacing, hold=hold)
    take, heard = played(sheet, patch, Recording(noise_dbfs=-85.0, channels=2))
    onsets = [note.onset_seconds for note in slice_unplanned(heard).sliced.notes]
    assert len(onsets) == len(take.notes)
    truth = [note.onset_seconds for note in take.notes]
    assert np.abs(np.subtract(onsets, truth)).max() < (0.2 if patch == "pad" else 0.005)


def test_repeats_of_one_key_are_told_apart_even_in_noise():
    sheet = sheet_of([60] * 6, (90,))
    take, heard = played(sheet, "lead", Recording(noise_dbfs=-55.0, hum_dbfs=-60.0))
    assert len(slice_unplanned(heard).sliced.notes) == len(take.notes)


@pytest.mark.parametrize("key", [57, 58, 59, 60, 61])
def test_a_pad_that_beats_while_it_rises_is_one_note(key):
    sheet = sheet_of([key], (60, 100), spacing=4.2, hold=2.8)
    take, heard = played(sheet, "pad", Recording(noise_dbfs=-85.0))
    onsets = [note.onset_seconds for note in slice_unplanned(heard).sliced.notes]
    truth = [note.onset_seconds for note in take.notes]
    assert len(onsets) == len(truth)
    assert np.abs(np.subtract(onsets, truth)).max() < 0.006


def test_noise_alone_holds_no_notes():
    noise = np.random.default_rng(1).normal(0, 0.01, (480_000, 2))
    with pytest.raises(MeasurementError, match="no note"):
        slice_unplanned(hear_take(ArrayTake(noise, 48_000)))
