import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.fading import even_through_fade, would_cancel
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


@pytest.mark.parametrize(("correlation", "cancels"), [(-0.7, False), (-0.8, True), (-1.0, True)])
def test_layers_in_opposite_phase_would_cancel(correlation, cancels):
    assert would_cancel(correlation) is cancels
