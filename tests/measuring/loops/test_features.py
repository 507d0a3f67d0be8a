"""Band levels tell what is heard: nothing below the lowest tone counts."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.measuring.loops.features import (
    band_edges_hz,
    masked_levels,
    measure_band_powers,
    movement_db,
)
from tests.moving_notes import RATE

FRAMES = RATE // 2


def levels_db(samples: np.ndarray) -> np.ndarray:
    return masked_levels(measure_band_powers(samples[:, None], RATE, 0, len(samples))).levels_db


def test_a_direct_component_hides_no_movement() -> None:
    noise = np.random.default_rng(1).normal(0, 0.02, FRAMES)
    plain = movement_db(levels_db(noise))
    assert plain > 1
    assert movement_db(levels_db(noise + 0.3)) == pytest.approx(plain, rel=0.02)


@pytest.mark.parametrize("rate", [8000, 22050, 44100, 96000])
def test_bands_are_third_octaves_where_the_window_resolves_them(rate: int) -> None:
    edges = band_edges_hz(rate)
    high = edges[edges > 150]
    assert high[-1] == min(16000, 0.49 * rate)
    assert high[1:-1] / high[:-2] == pytest.approx(2 ** (1 / 3))
    assert np.diff(edges).min() > 23
