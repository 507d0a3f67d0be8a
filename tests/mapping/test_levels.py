import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.levels import (
    LevelNote,
    common_gain_db,
    drum_gains_db,
    level_gains_db,
    smooth_curve,
)

KEYS = list(range(36, 84, 3))


def notes(levels, keys=KEYS, group=("attack", 1)):
    return [
        LevelNote(key=key, level_db=level, group=group)
        for key, level in zip(keys, levels, strict=True)
    ]


def curved():
    return [-18 - 0.1 * (key - 36) - 0.002 * (key - 60) ** 2 for key in KEYS]


def test_recorded_levels_stay():
    assert level_gains_db(notes(curved()), "recorded") == [0.0] * len(KEYS)


def test_smooth_leaves_a_smooth_curve_alone():
    assert level_gains_db(notes(curved()), "smooth") == [0.0] * len(KEYS)


@pytest.mark.parametrize("where", [0, 3, 8, len(KEYS) - 1])
@pytest.mark.parametrize("step_db", [-6.0, 4.0])
def test_smooth_brings_back_only_what_sticks_out(where, step_db):
    levels = curved()
    levels[where] += step_db
    gains = level_gains_db(notes(levels), "smooth")
    assert gains[where] == pytest.approx(-step_db, abs=1.0)
    assert all(gain == 0.0 for index, gain in enumerate(gains) if index != where)


def test_no_slope_is_drawn_on_to_a_last_note_that_does_not_follow_it():
    levels = [-0.8 * index for index in range(len(KEYS))]
    levels[-1] += 9.0
    target = level_gains_db(notes(levels), "smooth")[-1] + levels[-1]
    assert target == pytest.approx(levels[-2], abs=0.5)


def test_even_makes_all_notes_of_a_layer_alike():
    soft, loud = notes(curved()), notes([x + 9 for x in curved()], group=("attack", 64))
    gains = level_gains_db([*soft, *loud], "even")
    after = [n.level_db + g for n, g in zip([*soft, *loud], gains, strict=True)]
    assert np.ptp(after[: len(KEYS)]) < 1e-9
    assert after[-1] - after[0] == pytest.approx(9.0)


@given(st.lists(st.floats(-80, 0), min_size=len(KEYS), max_size=len(KEYS)))
def test_no_gain_is_ever_beyond_12_db(levels):
    for choice in ("smooth", "even"):
        assert all(abs(gain) <= 12 for gain in level_gains_db(notes(levels), choice))


def test_drums_keep_their_levels_unless_they_are_to_be_even():
    levels = [-30.0, -12.0, -33.0, -20.0, -9.0, -31.0]
    drums = notes(levels, keys=range(36, 42))
    assert drum_gains_db(drums, "smooth") == [0.0] * 6
    assert drum_gains_db(drums, "recorded") == [0.0] * 6


def test_even_drums_are_alike_in_their_loudest_hits_and_keep_their_dynamics():
    hits = [
        *notes([-40.0, -44.0, -38.0], keys=(36, 38, 40)),
        *notes([-20.0, -26.0, -22.0], keys=(36, 38, 40), group=("attack", 64)),
    ]
    assert drum_gains_db(hits, "even") == [-2.0, 4.0, 0.0] * 2


def test_smooth_curve_follows_a_straight_line_exactly():
    values = [0.5 * key - 3 for key in KEYS]
    assert smooth_curve(KEYS, values) == pytest.approx(values, abs=1e-6)


def test_common_gain_brings_the_loudest_to_the_target():
    assert common_gain_db([-20.0, -9.0], -3.0) == 6.0
