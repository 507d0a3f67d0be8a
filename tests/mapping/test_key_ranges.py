from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.key_ranges import key_ranges
from keymapper.model.recipe import ZoneSettings

roots = st.lists(st.integers(0, 127), min_size=1, max_size=60)
settings = st.builds(
    ZoneSettings,
    split=st.sampled_from(["nearest", "upwards", "downwards"]),
    reach_below=st.integers(0, 127),
    reach_above=st.integers(0, 127),
)


@given(roots, settings)
def test_ranges_leave_no_gap_and_never_overlap(root_keys, how):
    ranges = key_ranges(root_keys, how)
    assert [r.root_key for r in ranges] == sorted(set(root_keys))
    for below, above in pairwise(ranges):
        assert below.high_key + 1 == above.low_key
    assert all(r.low_key <= r.root_key <= r.high_key for r in ranges)


@given(roots, settings)
def test_outer_ranges_reach_as_far_as_asked(root_keys, how):
    ranges = key_ranges(root_keys, how)
    assert ranges[0].low_key == max(0, min(root_keys) - how.reach_below)
    assert ranges[-1].high_key == min(127, max(root_keys) + how.reach_above)


@given(roots)
def test_nearest_root_plays_every_key_between(root_keys):
    ranges = key_ranges(root_keys, ZoneSettings())
    for key in range(min(root_keys), max(root_keys) + 1):
        playing = next(r for r in ranges if r.low_key <= key <= r.high_key)
        assert abs(playing.root_key - key) == min(abs(root - key) for root in root_keys)


def test_midway_key_goes_to_the_lower_root():
    ranges = key_ranges([60, 64], ZoneSettings(reach_below=0, reach_above=0))
    assert [(r.low_key, r.high_key) for r in ranges] == [(60, 62), (63, 64)]
