import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.fading import even_through_fade, most_uneven_db
from keymapper.model.instrument import VelocityFade, VelocityGain


def amplitude_at(gains: Sequence[VelocityGain], velocity: int) -> float:
    """As players do: amplitude linear between points."""
    amplitudes = [10 ** (gain.gain_db / 20) for gain in gains]
    return float(np.interp(velocity, [gain.velocity for gain in gains], amplitudes))


@given(st.floats(-0.7, 1.0))
def test_two_layers_in_a_fade_are_as_loud_as_either_alone(correlation):
    gains = tuple(VelocityGain(velocity=v, gain_db=0.0) for v in (1, 60, 100, 127))
    lower_fade = VelocityFade(out_low=60, out_high=81, law="gain")
    upper_fade = VelocityFade(in_low=60, in_high=81, law="gain")
    lower = even_through_fade(gains[:3], lower_fade, None, correlation)
    upper = even_through_fade(gains[1:], upper_fade, correlation, None)
    for velocity in range(60, 82):
        way = (velocity - 60) / 21
        one = amplitude_at(lower, velocity) * (1 - way)
        other = amplitude_at(upper, velocity) * way
        power = one**2 + other**2 + 2 * correlation * one * other
        assert 10 * math.log10(power) == pytest.approx(0.0, abs=0.1)


@given(st.floats(-0.7, 1.0))
def test_two_sounds_are_even_where_the_fade_is_made_for_them(correlation):
    assert most_uneven_db(correlation, correlation, correlation) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    ("correlation", "made_for", "least_db"),
    [
        (-1.0, (-1.0, -1.0), 20),
        (0.0, (1.0, 1.0), 2.9),
        (1.0, (0.0, 0.0), 2.9),
        (-0.7, (-0.7, 0.1), 2),
    ],
)
def test_two_sounds_that_cancel_or_that_the_fade_is_not_made_for_are_off(
    correlation, made_for, least_db
):
    assert most_uneven_db(correlation, *made_for) > least_db
