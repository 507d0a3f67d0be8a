"""The clock line that all notes of a patch tell together, where they grow along a curve."""

from __future__ import annotations

import numpy as np

from keymapper.slicing.curving import curved_line
from keymapper.slicing.timing import Asked
from tests.session_takes import Recording
from tests.slicing.takes import played, sheet_of

SHEET = sheet_of(range(45, 72, 3), (60, 110), spacing=3.7, hold=2.7)
PLAN = np.array([note.on_seconds for note in SHEET.notes])
LATENCY, DRIFT = 0.8, -130e-6


def _line_from(patch: str, noise_dbfs: float | None, latency: float, drift: float):
    """Return the line found from one that is off."""
    how = Recording(latency_seconds=LATENCY, drift_ppm=1e6 * DRIFT, noise_dbfs=noise_dbfs)
    _, heard = played(SHEET, patch, how)
    starts = (latency + (1 + drift) * PLAN).tolist()
    asked = [
        Asked(
            plan_index=index,
            patch=0,
            expected_seconds=start,
            off_seconds=start + 2.7,
            until_seconds=start + 3.6,
        )
        for index, start in enumerate(starts)
    ]
    return curved_line(heard, asked, PLAN, latency, drift)


def test_the_line_of_curved_notes_hardly_depends_on_the_drift_it_starts_from():
    lines = [_line_from("curved_pad", -75.0, LATENCY + 0.05, DRIFT + off) for off in (4e-4, -5e-4)]
    slow, fast = (1000 * (latency - LATENCY + (drift - DRIFT) * PLAN) for latency, drift in lines)
    assert np.abs(slow - fast).max() < 5.0
    assert max(np.abs(slow).max(), np.abs(fast).max()) < 15.0


def test_the_line_of_straight_notes_stays():
    line = (LATENCY + 0.01, DRIFT + 100e-6)
    assert _line_from("pad", -85.0, *line) == line
