from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.velocities import (
    LayerNote,
    velocity_fades,
    velocity_layers,
    velocity_ranges,
)


def layer_note(key=60, velocity=None, level=-20.0, turn=None):
    return LayerNote(root_key=key, velocity=velocity, round_robin=turn, level_db=level)


@given(st.lists(st.integers(1, 127), min_size=1, max_size=16, unique=True).map(sorted))
def test_ranges_of_known_velocities_are_contiguous_and_hold_their_own(velocities):
    ranges = velocity_ranges(velocities)
    assert ranges[0].low_velocity == 1
    assert ranges[-1].high_velocity == 127
    for below, above in pairwise(ranges):
        assert below.high_velocity + 1 == above.low_velocity
    for velocity, found in zip(velocities, ranges, strict=True):
        assert found.low_velocity <= velocity <= found.high_velocity


@given(st.integers(1, 12))
def test_unknown_velocities_share_the_range_evenly(count):
    ranges = velocity_ranges([None] * count)
    widths = [r.high_velocity - r.low_velocity + 1 for r in ranges]
    assert sum(widths) == 127
    assert max(widths) - min(widths) <= 1


def test_hinted_velocities_make_the_layers():
    notes = [layer_note(velocity=v, level=-v) for v in (100, 20, 60, 20)]
    assert velocity_layers(notes) == (2, 0, 1, 0)


def test_levels_make_the_layers_without_hints():
    notes = [
        layer_note(key, level=base + step)
        for key, base in ((48, -20.0), (60, -23.0), (72, -25.0))
        for step in (-12.0, 0.0)
    ]
    assert velocity_layers(notes) == (0, 1, 0, 1, 0, 1)


def test_repeats_of_nearly_one_level_are_one_layer():
    notes = [layer_note(60, level=level) for level in (-20.0, -20.8, -19.5)]
    assert velocity_layers(notes) == (0, 0, 0)


def test_a_key_with_a_missing_layer_joins_the_one_it_sounds_like():
    notes = [layer_note(k, level=lv) for k in (48, 60, 72) for lv in (-30.0, -12.0)]
    notes.append(layer_note(84, level=-13.0))
    assert velocity_layers(notes)[-1] == 1


def test_a_note_without_a_velocity_joins_the_layer_nearest_in_level():
    notes = [layer_note(60, 40, -30.0), layer_note(60, 110, -12.0), layer_note(60, None, -29.0)]
    assert velocity_layers(notes) == (0, 1, 0)


def test_notes_of_one_stated_velocity_are_one_layer_however_their_levels_differ():
    notes = [layer_note(k, 100, lv) for k in (48, 60) for lv in (-20.0, -16.0, -24.0)]
    assert velocity_layers(notes) == (0,) * 6


def numbered_notes(*levels_of_keys):
    return [
        layer_note(48 + key, level=level, turn=turn)
        for key, levels in enumerate(levels_of_keys)
        for turn, level in enumerate(levels, 1)
    ]


def test_numbered_repeats_are_one_layer_however_their_levels_differ():
    assert velocity_layers(numbered_notes((-20.0, -16.0), (-16.0, -20.0))) == (0,) * 4
    assert velocity_layers(numbered_notes((-20.0, -16.0))) == (0,) * 2


def test_numbers_that_rise_with_the_level_on_all_keys_are_layers():
    assert velocity_layers(numbered_notes((-30.0, -12.0), (-28.0, -10.0))) == (0, 1, 0, 1)


@given(st.lists(st.integers(1, 127) | st.none(), min_size=1, max_size=12))
def test_ranges_are_never_empty_whatever_velocities_are_known(velocities):
    ranges = velocity_ranges(velocities)
    covered = [v for r in ranges for v in range(r.low_velocity, r.high_velocity + 1)]
    assert covered == list(range(1, 128))
    assert all(r.low_velocity <= r.high_velocity for r in ranges)


@given(
    st.lists(st.integers(1, 127), min_size=1, max_size=16, unique=True).map(sorted),
    st.integers(0, 60),
)
def test_a_layer_has_faded_in_before_it_fades_out(velocities, wanted):
    ranges = velocity_ranges(velocities)
    fades = [0, *velocity_fades(ranges, wanted), 0]
    assert max(fades) <= wanted
    for one, below, above in zip(ranges, fades, fades[1:], strict=False):
        assert one.low_velocity + below // 2 <= one.high_velocity - (above + 1) // 2


def test_wide_layers_fade_as_wide_as_is_wanted():
    assert velocity_fades(velocity_ranges([20, 60, 100]), 30) == [30, 30]
    assert velocity_fades(velocity_ranges([60, 64, 127]), 30) == [30, 30]
