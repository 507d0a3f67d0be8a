"""The clock line that all notes of a patch tell together, where they grow along a curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from keymapper.slicing.curving import curved_line, way_of_growing
from keymapper.slicing.hearing import hear_take
from keymapper.slicing.timing import Asked
from tests.session_takes import PATCHES, Recording, render_take
from tests.slicing.takes import ArrayTake, played, sheet_of

SHEET = sheet_of(range(45, 72, 3), (60, 110), spacing=3.7, hold=2.7)
PLAN = np.array([note.on_seconds for note in SHEET.notes])
LATENCY, DRIFT = 0.8, -130e-6


def _line_from(patch: str, noise_dbfs: float | None, latency: float, drift: float):
    """Return the line found from one that is off."""
    how = Recording(latency_seconds=LATENCY, drift_ppm=1e6 * DRIFT, noise_dbfs=noise_dbfs)
    _, heard = played(SHEET, patch, how)
    return curved_line(heard, _asked(PLAN, latency, drift), PLAN, latency, drift)


def _asked(plan: Sequence[float], latency: float, drift: float) -> list[Asked]:
    return [
        Asked(
            plan_index=index,
            patch=0,
            expected_seconds=latency + (1 + drift) * start,
            off_seconds=latency + (1 + drift) * start + 2.7,
            until_seconds=latency + (1 + drift) * start + 3.6,
        )
        for index, start in enumerate(plan)
    ]


def test_the_line_of_curved_notes_hardly_depends_on_the_drift_it_starts_from():
    lines = [_line_from("curved_pad", -75.0, LATENCY + 0.05, DRIFT + off) for off in (4e-4, -5e-4)]
    slow, fast = (1000 * (latency - LATENCY + (drift - DRIFT) * PLAN) for latency, drift in lines)
    assert np.abs(slow - fast).max() < 5.0
    assert max(np.abs(slow).max(), np.abs(fast).max()) < 15.0


def test_the_line_of_straight_notes_stays():
    line = (LATENCY + 0.01, DRIFT + 100e-6)
    assert _line_from("pad", -85.0, *line) == line


@pytest.mark.parametrize("off", [0.05, -0.05])
def test_noise_hardly_moves_the_line_of_curved_notes(off: float):
    latency, drift = _line_from("curved_pad", -60.0, LATENCY + off, DRIFT)
    assert np.abs(1000 * (latency - LATENCY + (drift - DRIFT) * PLAN)).max() < 8.0


def test_notes_that_swell_for_long_are_followed_back_to_their_key_down():
    patch = replace(PATCHES["curved_pad"], attack_seconds=1.5)
    how = Recording(latency_seconds=LATENCY, noise_dbfs=-60.0)
    take = render_take(SHEET.notes, patch, how)
    heard = hear_take(ArrayTake(take.samples, take.rate_hz))
    latency, _ = curved_line(heard, _asked(PLAN, LATENCY + 0.5, 0.0), PLAN, LATENCY + 0.5, 0.0)
    assert abs(latency - LATENCY) < 0.1


def test_notes_held_too_shortly_do_not_hide_that_the_others_are_curved():
    how = Recording(latency_seconds=LATENCY, noise_dbfs=-75.0)
    _, heard = played(SHEET, "curved_pad", how)
    asked = [
        one if index % 4 == 1 else replace(one, off_seconds=one.expected_seconds + 0.6)
        for index, one in enumerate(_asked(PLAN, LATENCY, 0.0))
    ]
    assert way_of_growing(heard, asked) == (3, 4)


@pytest.mark.parametrize(("power", "way"), [(1.5, (1, 2)), (2.0, (2, 3)), (3.0, (3, 4))])
def test_notes_grow_by_a_power_or_between_two(power: float, way: tuple[int, int]):
    patch = replace(PATCHES["curved_pad"], attack_power=power)
    how = Recording(latency_seconds=LATENCY, noise_dbfs=-75.0)
    sheet = sheet_of(range(57, 72, 3), (110,), spacing=3.7, hold=2.7)
    take = render_take(sheet.notes, patch, how)
    heard = hear_take(ArrayTake(take.samples, take.rate_hz))
    plan = [note.on_seconds for note in sheet.notes]
    assert way_of_growing(heard, _asked(plan, LATENCY, 0.0)) == way
