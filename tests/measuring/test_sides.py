import numpy as np
import pytest

from keymapper.measuring.sides import measured_channels


def test_channels_tell_equal_inverted_and_dead_sides():
    tone = 0.5 * np.sin(2 * np.pi * 200.0 * np.arange(9_600) / 48_000)[:, np.newaxis]
    assert measured_channels(np.hstack([tone, tone])).equal
    assert measured_channels(np.hstack([tone, -tone])).inverted
    dead = measured_channels(np.hstack([tone, 1e-5 * tone]))
    assert (dead.dead, dead.equal) == ("right", False)
    assert measured_channels(np.hstack([1e-5 * tone, tone])).dead == "left"
    assert measured_channels(tone).count == 1
    half = measured_channels(np.hstack([tone, 0.5 * tone]))
    assert half.balance_db == pytest.approx(-6.02, abs=0.01)
    assert half.dead == ""
