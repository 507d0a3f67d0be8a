"""How a slow note swells, told from its levels alone."""

import numpy as np
import pytest

from keymapper.slicing.attack import fitted_swell, key_down_of
from keymapper.slicing.course import course_of
from keymapper.slicing.levels import Levels, levels_of
from tests.slicing.takes import ArrayTake

RATE = 48_000
KEY_DOWN_SECONDS, OFF_SECONDS = 1.0, 4.0


def levels_of_swell(exponent: float) -> Levels:
    """Noise that rises by a power of the time since key-down to full strength in 2 s, and hiss."""
    rng = np.random.default_rng(3)
    seconds = np.arange(5 * RATE) / RATE
    risen = np.clip((seconds - KEY_DOWN_SECONDS) / 2, 0, 1) ** exponent * (seconds < OFF_SECONDS)
    sound = risen * rng.uniform(-0.5, 0.5, len(seconds)) + rng.normal(0, 2e-4, len(seconds))
    return levels_of(course_of(ArrayTake(sound[:, None], RATE)))


@pytest.mark.parametrize("exponent", [0.5, 1.0, 2.0])
def test_a_swell_gives_its_power_and_its_level_at_any_time(exponent):
    swell = fitted_swell(levels_of_swell(exponent), KEY_DOWN_SECONDS, OFF_SECONDS)
    assert swell is not None
    assert swell.exponent == pytest.approx(exponent, abs=0.05)
    half_risen = 0.5**exponent / np.sqrt(12)
    assert swell.seconds_at(half_risen) == pytest.approx(KEY_DOWN_SECONDS + 1, abs=0.06)


@pytest.mark.parametrize("away", [-0.2, -0.1, 0.0])
def test_key_down_is_found_within_reach(away):
    swell = key_down_of(levels_of_swell(1.0), KEY_DOWN_SECONDS + away, OFF_SECONDS, 0.25)
    assert swell is not None
    assert swell.key_down_seconds == pytest.approx(KEY_DOWN_SECONDS, abs=0.03)


def test_what_is_held_too_shortly_or_does_not_rise_swells_nowhere():
    levels = levels_of_swell(1.0)
    assert fitted_swell(levels, KEY_DOWN_SECONDS, KEY_DOWN_SECONDS + 0.03) is None
    assert key_down_of(levels, 0.5, 0.9) is None
