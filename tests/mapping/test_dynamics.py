import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.dynamics import (
    DynamicZone,
    even_through_fade,
    gains_within,
    most_uneven_db,
    velocity_gains,
)
from keymapper.model.instrument import VelocityFade, VelocityGain


def zone(low, high, nominal, level, keys=(0, 127)):
    return DynamicZone(
        low_key=keys[0],
        high_key=keys[1],
        low_velocity=low,
        high_velocity=high,
        nominal_velocity=nominal,
        level_db=level,
    )


def level_at(zone_, gains, velocity):
    """As players do: amplitude linear between points."""
    points = [(g.velocity, 10 ** (g.gain_db / 20)) for g in gains]
    for (v0, a0), (v1, a1) in pairwise(points):
        if v0 <= velocity <= v1:
            amplitude = a0 + (a1 - a0) * (velocity - v0) / (v1 - v0)
            return zone_.level_db + 20 * math.log10(amplitude)
    return zone_.level_db + gains[0].gain_db


def test_a_single_layer_needs_no_curve():
    assert velocity_gains([zone(1, 127, 100, -12.0)]) == [()]


@given(
    st.lists(st.integers(4, 124), min_size=1, max_size=5, unique=True).map(sorted),
    st.lists(st.floats(-50, 0), min_size=6, max_size=6),
)
def test_no_hand_over_jumps_by_more_than_the_slope_of_one_velocity(tops, levels):
    lows = [1, *(top + 1 for top in tops)]
    zones = [
        zone(low, high, (low + high) // 2, level)
        for low, high, level in zip(lows, [*tops, 127], levels, strict=False)
    ]
    gains = velocity_gains(zones)
    for i, top in enumerate(tops):
        lower, upper = zones[i], zones[i + 1]
        between = upper.nominal_velocity - lower.nominal_velocity
        slope = abs(upper.level_db - lower.level_db) / between
        jump = abs(level_at(upper, gains[i + 1], top + 1) - level_at(lower, gains[i], top))
        assert jump <= slope + 0.01


def test_each_layer_plays_as_recorded_at_its_own_velocity():
    zones = [zone(1, 75, 40, -30.0), zone(76, 127, 110, -12.0)]
    gains = velocity_gains(zones)
    assert level_at(zones[0], gains[0], 40) == pytest.approx(-30.0)
    assert level_at(zones[1], gains[1], 110) == pytest.approx(-12.0)


def test_zones_hand_over_to_the_layer_above_at_their_own_keys():
    low = zone(1, 64, 32, -30.0, (0, 60))
    high = [zone(65, 127, 96, -10.0, (0, 59)), zone(65, 127, 96, -20.0, (61, 127))]
    gains = velocity_gains([low, *high])
    assert level_at(low, gains[0], 64) == pytest.approx(-20.0, abs=0.4)


def test_level_falls_to_almost_nothing_at_velocity_1():
    zones = [zone(1, 75, 40, -30.0), zone(76, 127, 110, -12.0)]
    assert velocity_gains(zones)[0][0].gain_db == -60.0


@given(st.floats(-0.7, 1.0), st.floats(-40, 0))
def test_two_layers_in_a_fade_are_as_loud_as_either_alone(correlation, level):
    gains = tuple(VelocityGain(velocity=v, gain_db=0.0) for v in (1, 60, 100, 127))
    lower_fade = VelocityFade(out_low=60, out_high=81, law="gain")
    upper_fade = VelocityFade(in_low=60, in_high=81, law="gain")
    lower = even_through_fade(gains[:3], lower_fade, None, correlation)
    upper = even_through_fade(gains[1:], upper_fade, correlation, None)
    whole = zone(1, 127, 64, level)
    for velocity in range(60, 82):
        way = (velocity - 60) / 21
        one = 10 ** (level_at(whole, lower, velocity) / 20) * (1 - way)
        other = 10 ** (level_at(whole, upper, velocity) / 20) * way
        power = one**2 + other**2 + 2 * correlation * one * other
        assert 10 * math.log10(power) == pytest.approx(level, abs=0.1)


def test_level_curves_are_cut_to_the_velocities_a_zone_plays():
    gains = tuple(VelocityGain(velocity=v, gain_db=g) for v, g in ((1, -6.0), (60, 0.0), (80, 6.0)))
    assert [one.velocity for one in gains_within(gains, (30, 70))] == [30, 60, 70]
    whole = gains_within(gains, (1, 80))
    assert [one.gain_db for one in whole] == pytest.approx([-6.0, 0.0, 6.0])


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
