"""Two stretches of audio are as many cents apart as their spectra are moved."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.measuring.pitch_shift import CentGrid, pitch_shifts_cents, spread_firsts

RATE = 48_000
GRID = CentGrid(step_cents=5.0, reach_cents=60.0, highest_hz=6000.0)
SECONDS = np.arange(round(0.12 * RATE)) / RATE


def tone(hertz: float) -> np.ndarray:
    orders = np.arange(1, 8)[:, None]
    return np.asarray((np.sin(2 * np.pi * hertz * orders * SECONDS + orders) / orders).sum(axis=0))


@given(hertz=st.floats(150.0, 700.0), cents=st.floats(-50.0, 50.0))
def test_a_shift_is_told_in_cents(hertz: float, cents: float) -> None:
    moved = tone(hertz * 2 ** (cents / 1200))
    found = pitch_shifts_cents(tone(hertz)[None, None], moved[None, None], RATE, GRID)
    assert found == pytest.approx([cents], abs=2.0)


def test_channels_are_heard_together_and_pairs_apart() -> None:
    before = np.stack([[tone(220.0), 0 * SECONDS], [tone(220.0), tone(330.0)]])
    after = np.stack([[tone(220.0 * 2 ** (20 / 1200)), 0 * SECONDS], [tone(220.0), tone(330.0)]])
    assert pitch_shifts_cents(before, after, RATE, GRID) == pytest.approx([20, 0], abs=1.0)


def test_silence_has_no_pitch_to_shift() -> None:
    silence = np.zeros((1, 1, len(SECONDS)))
    assert np.isfinite(pitch_shifts_cents(silence, silence, RATE, GRID)).all()


@given(last=st.integers(0, 10_000), count=st.integers(1, 40))
def test_places_are_spread_within_and_never_evenly(last: int, count: int) -> None:
    firsts = spread_firsts(last, count)
    assert len(firsts) == count
    assert ((firsts >= 0) & (firsts <= last)).all()
    if last > 1000 and count > 3:
        assert np.ptp(np.diff(np.sort(firsts))) > 0
