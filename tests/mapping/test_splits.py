"""Splits stay in the middle where roots agree, and move away from a root that stands out."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keymapper.mapping.placing import Place, PlaceableNote, placed_on_keys
from keymapper.mapping.splits import RANGE_SHARE, last_keys, with_quieter_splits
from keymapper.model.recipe import ZoneSettings
from keymapper.model.tone import Tone
from tests.tones import falling_tone


def sounding(key: int, cutoff_band: float) -> Tone:
    return falling_tone(key, cutoff_band, 0.5, 1.5)


def middles(keys: list[int]) -> list[int]:
    return [(a + b) // 2 for a, b in pairwise(keys)]


KEYS = [28, 36, 44, 52, 60, 68, 76]


@pytest.mark.parametrize("follows", [0.0, 0.5, 1.0])
def test_splits_stay_in_the_middle_of_roots_that_agree(follows: float) -> None:
    tones = [sounding(key, 75.0 + follows * (key - 52)) for key in KEYS]
    assert last_keys(KEYS, tones, middles(KEYS)) == middles(KEYS)


@pytest.mark.parametrize("odd", [1, 2, 3])
@pytest.mark.parametrize("cutoff", [55.0, 95.0])
def test_a_root_that_stands_out_gets_fewer_keys(odd: int, cutoff: float) -> None:
    tones = [sounding(key, cutoff if i == odd else 75.0) for i, key in enumerate(KEYS)]
    got = last_keys(KEYS, tones, middles(KEYS))
    reach = int(RANGE_SHARE * 8)
    assert 0 <= got[odd - 1] - middles(KEYS)[odd - 1] <= reach
    assert 0 <= middles(KEYS)[odd] - got[odd] <= reach
    assert got[odd] - got[odd - 1] <= middles(KEYS)[odd] - middles(KEYS)[odd - 1] - 2
    others = set(range(len(got))) - {odd - 1, odd}
    assert all(got[i] == middles(KEYS)[i] for i in others)


@settings(max_examples=40, deadline=None)
@given(
    steps=st.lists(st.integers(1, 14), min_size=0, max_size=6),
    cutoffs=st.lists(st.floats(40.0, 110.0), min_size=7, max_size=7),
    farthest=st.integers(1, 12),
    turns=st.integers(1, 2),
)
def test_places_keep_covering_the_same_keys(
    steps: list[int], cutoffs: list[float], farthest: int, turns: int
) -> None:
    keys = [30]
    for step in steps:
        keys.append(keys[-1] + step)
    notes = [
        PlaceableNote(root_key=key, velocity=v, round_robin=t, is_release=False, level_db=-20.0)
        for key in keys
        for v in (40, 100)
        for t in range(turns)
    ]
    roots = [note.root_key for note in notes]
    tones = [sounding(key, cutoffs[keys.index(key)]) for key in roots]
    zones = ZoneSettings(farthest=farthest, reach_below=5, reach_above=5)
    before = placed_on_keys(notes, zones)
    after = with_quieter_splits(before, roots, tones, zones)
    assert [p.note for p in after] == [p.note for p in before]
    for velocity in (20, 120):
        assert played(before, velocity) == played(after, velocity)
    for place in after:
        root = roots[place.note]
        assert place.low_key <= root <= place.high_key
        assert max(root - place.low_key, place.high_key - root) <= farthest


def played(places: tuple[Place, ...], velocity: int) -> list[int]:
    """Keys that sound, once for each turn that plays them."""
    return sorted(
        key
        for p in places
        for key in range(p.low_key, p.high_key + 1)
        if p.low_velocity <= velocity <= p.high_velocity
    )


def test_other_ways_to_split_are_left_alone() -> None:
    notes = [
        PlaceableNote(root_key=key, velocity=1, round_robin=1, is_release=False, level_db=-20.0)
        for key in KEYS
    ]
    tones = [sounding(key, 55.0 if key == 52 else 75.0) for key in KEYS]
    upwards = ZoneSettings(split="upwards")
    places = placed_on_keys(notes, upwards)
    assert with_quieter_splits(places, KEYS, tones, upwards) == places
    nearest = ZoneSettings()
    places = placed_on_keys(notes, nearest)
    assert with_quieter_splits(places, KEYS, tones, nearest) != places
