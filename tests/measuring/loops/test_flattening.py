"""What dies away and what merely beats."""

import numpy as np
import pytest

from keymapper.measuring.loops.flattening import dies_away

TIMES = np.linspace(0, 4, 400)


@pytest.mark.parametrize("db_per_second", [0.5, 1.5, 6.0])
@pytest.mark.parametrize("ripple_db", [0.0, 0.3])
def test_a_steady_fall_dies_away(db_per_second, ripple_db):
    level = -db_per_second * TIMES + ripple_db * np.sin(2 * np.pi * 5.3 * TIMES)
    assert dies_away(10 ** (level / 10))


@pytest.mark.parametrize("phase", np.linspace(0, 2 * np.pi, 12, endpoint=False))
@pytest.mark.parametrize("beat_hz", [0.5, 0.8, 1.7])
def test_a_slow_beat_does_not(phase, beat_hz):
    level = 5 * np.sin(2 * np.pi * beat_hz * TIMES + phase)
    assert not dies_away(10 ** (level / 10))


def test_neither_does_what_grows_or_is_too_short():
    assert not dies_away(10 ** (TIMES / 10))
    assert not dies_away(10 ** (-TIMES[:10]))
