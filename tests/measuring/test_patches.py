"""Distances of stretches of levels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.measuring.patches import patch_distances_db


@given(st.integers(0, 2**16), st.integers(1, 4), st.integers(1, 9))
def test_they_are_what_comparing_one_by_one_gives(seed: int, every: int, width: int) -> None:
    random = np.random.default_rng(seed)
    levels = random.normal(0, 5, (40, 6))
    patches = random.normal(0, 5, (3, width, 6))
    found = patch_distances_db(levels, patches, every)
    assert found.shape == (40 - width + 1, 3)
    for place in (0, 17, 40 - width):
        for index in range(3):
            apart = levels[place : place + width : every] - patches[index, ::every]
            assert found[place, index] == pytest.approx(np.sqrt(np.mean(apart**2)))


def test_a_stretch_is_nothing_away_from_itself() -> None:
    levels = np.random.default_rng(1).normal(0, 5, (40, 6)).astype(np.float32)
    apart = patch_distances_db(levels, levels[None, 12:21], 2)
    assert int(np.argmin(apart)) == 12
    assert apart[12, 0] < 0.01
