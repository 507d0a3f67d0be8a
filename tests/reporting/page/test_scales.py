"""Ticks are round, scales are straight, colours have steps."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.reporting.page.scales import AxisScale, ColourScale, padded_range, ticks

WIDE = st.floats(-1e4, 1e4)


@given(WIDE, st.floats(0.01, 1e4), st.integers(3, 10))
def test_ticks_lie_inside_and_are_not_many(low, span, count):
    found = ticks(low, low + span, count)
    assert len(found) <= count + 2
    slack = 1e-5 * span
    assert all(low - slack <= tick <= low + span + slack for tick in found)
    steps = np.diff(found)
    assert np.allclose(steps, steps[:1])


@given(st.lists(WIDE, max_size=20), st.floats(0.1, 100))
def test_a_padded_range_holds_its_values(values, least):
    low, high = padded_range(values, least=least)
    assert high - low >= least * 0.999
    assert all(low <= value <= high for value in values)


@given(st.lists(WIDE, max_size=20), st.floats(0.1, 100))
def test_a_range_about_zero_is_symmetrical(values, least):
    low, high = padded_range(values, least=least, around=0.0)
    assert low == pytest.approx(-high)
    assert all(low <= value <= high for value in values)


def test_scales_go_through_their_ends():
    scale = AxisScale(low=10.0, high=1000.0, start=0.0, end=200.0, logarithmic=True)
    assert scale(10.0) == 0.0
    assert scale(100.0) == pytest.approx(100.0)
    assert np.allclose(scale.many([10.0, 100.0, 1000.0]), [0.0, 100.0, 200.0])


@given(st.floats(-100, 100))
def test_diverging_steps_mirror_each_other(value):
    scale = ColourScale.diverging(20.0, "ct", "0")
    here, there = (scale.steps.index(scale.step(sign * value)) for sign in (1, -1))
    assert here + there == 8 or math.isclose(abs(value) / 5 % 1, 0.5, abs_tol=1e-9)


def test_the_ends_of_a_scale_are_its_ends():
    scale = ColourScale.sequential(-30.0, -10.0, "dB")
    assert (scale.step(-99.0), scale.step(-30.0), scale.step(-10.0), scale.step(5.0)) == (
        "s0",
        "s0",
        "s6",
        "s6",
    )
    assert scale.step(None) == "unknown"
    assert scale.words == ("−30 dB", "", "−10 dB")
