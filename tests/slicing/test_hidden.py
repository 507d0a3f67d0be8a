"""Soft notes under the tails of louder ones: found where played, told where missing."""

from dataclasses import replace

import numpy as np
import pytest

from keymapper.slicing.hearing import hear_take
from keymapper.slicing.planned import slice_by_plan
from tests.session_takes import Patch, Recording, render_take
from tests.slicing.takes import ArrayTake, sheet_of

LONG_TAILS = Patch(
    release_seconds=3.0, voices_cents=(-5.0, 5.0), partials=20, velocity_range_db=40.0
)
SOFT = (1, 3, 5, 7, 9)


def ringing_sheet():
    """Every other note soft, after a loud one of another key."""
    sheet = sheet_of([48, 56, 43, 52, 60, 39, 55, 46, 63, 50], spacing=2.0, hold=1.2)
    notes = [replace(n, velocity=25 if i in SOFT else 127) for i, n in enumerate(sheet.notes)]
    return replace(sheet, notes=tuple(notes))


@pytest.mark.parametrize("attack_seconds", [0.003, 0.15])
@pytest.mark.parametrize("missing", [frozenset(), frozenset({5}), frozenset({1, 7})])
def test_soft_notes_under_the_tails_of_loud_ones_are_found(attack_seconds, missing):
    sheet = ringing_sheet()
    patch = replace(LONG_TAILS, attack_seconds=attack_seconds)
    take = render_take(sheet.notes, patch, Recording(missing=missing, noise_dbfs=-80.0))
    cut = slice_by_plan(hear_take(ArrayTake(take.samples, take.rate_hz)), sheet)
    assert cut.missing == tuple(sorted(missing))
    assert [note.plan_index for note in cut.notes] == [
        index for index in range(len(sheet.notes)) if index not in missing
    ]
    truth = {note.plan_index: note.onset_seconds for note in take.notes}
    assert all(abs(n.onset_seconds - truth[n.plan_index]) < 0.05 for n in cut.notes)


def rising_and_falling(samples, rate, notes):
    """The sound, which swells in the first half of each hold and falls in the last quarter."""
    level = np.zeros(len(samples))
    for note in notes:
        late = Recording().latency_seconds
        first, end = (round((at + late) * rate) for at in (note.on_seconds, note.until_seconds))
        turns = np.arange(end - first) / rate / (note.off_seconds - note.on_seconds)
        level[first:end] = np.interp(turns, [0, 0.6, 0.75, 1, 1.3], [0.25, 5, 5, 3, 1])
    return samples * level[:, None]


@pytest.mark.parametrize("shaped", [lambda samples, rate, notes: samples, rising_and_falling])
@pytest.mark.parametrize("missing", [frozenset(), frozenset({3, 7})])
def test_soft_notes_whose_partials_a_loud_one_had_before_are_found(missing, shaped):
    sheet = sheet_of([28, 40, 28, 52, 28, 47, 28, 40, 28, 52], spacing=2.2, hold=1.4)
    notes = [replace(n, velocity=30 if i in SOFT else 127) for i, n in enumerate(sheet.notes)]
    loud = Patch(partials=30, release_seconds=2.0, velocity_range_db=60.0)
    dull = replace(loud, partials=4)
    takes = [
        render_take(notes, loud, Recording(missing=frozenset(SOFT), noise_dbfs=-90.0)),
        render_take(notes, dull, Recording(missing=frozenset(range(0, 10, 2)) | missing)),
    ]
    rate, frames = takes[0].rate_hz, min(len(take.samples) for take in takes)
    samples = takes[0].samples[:frames] + shaped(takes[1].samples[:frames], rate, notes)
    cut = slice_by_plan(hear_take(ArrayTake(samples, rate)), replace(sheet, notes=tuple(notes)))
    assert cut.missing == tuple(sorted(missing))
