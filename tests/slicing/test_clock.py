"""The line from a plan's clock to that of its take."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from keymapper.slicing.clock import asked_notes, swollen_seconds
from tests.session_takes import Recording
from tests.slicing.takes import played, sheet_of


def test_the_note_before_is_no_swell_of_the_one_after_it():
    sheet = sheet_of((40, 43, 47, 50, 54, 57), spacing=1.8, hold=1.7, uneven=False)
    pairs = tuple(
        replace(note, on_seconds=note.on_seconds + rest, off_seconds=note.off_seconds + rest)
        for note, rest in zip(sheet.notes, (0.0, 0.0, 4.0, 4.0, 8.0, 8.0), strict=True)
    )
    sheet = replace(sheet, notes=pairs, duration_seconds=sheet.duration_seconds + 10.0)
    _, heard = played(sheet, "lead", Recording(latency_seconds=0.5))
    plan = np.array([note.on_seconds for note in sheet.notes])
    asked = asked_notes(heard, sheet, plan, 0.5, 0.0)
    assert swollen_seconds(heard, asked, asked) < 0.1
