"""Whether a note repeats is told only as far as enough of it is seen again."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.measuring.loops.sustain import SURE_HOPS, periodicity


def test_a_sway_repeats_with_its_period() -> None:
    sway = np.sin(2 * np.pi * np.arange(240) / 40)[:, None] * np.array([1.0, -2.0])
    assert periodicity(sway)[[40, 80, 120, 160]] == pytest.approx(1, abs=0.05)


def test_a_few_last_moments_alike_are_no_repetition() -> None:
    levels = np.abs(np.arange(60) - 20.0)[:, None] ** [1.0, 1.3]  # ends alike, by chance
    last = periodicity(levels)[-4:]
    assert np.abs(last).max() < 4 / SURE_HOPS + 0.01
