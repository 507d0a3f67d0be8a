"""Repeats that are alike are folded, turns stay contiguous, and it is said."""

from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.placing import Place, PlaceableNote, placed_on_keys
from keymapper.mapping.repeats import folded_repeats, repeats_to_compare
from keymapper.model.likeness import Likeness
from keymapper.model.recipe import ZoneSettings

ALIKE = Likeness(correlation=0.998, least_correlation=0.97, level_difference_db=0.1)
EQUAL = [3.0] * 16
UNLIKE = Likeness(correlation=0.8, least_correlation=0.8, level_difference_db=0.1)


def repeated(keys: list[int], velocities: list[int], turns: int) -> tuple[Place, ...]:
    notes = [
        PlaceableNote(root_key=k, velocity=v, round_robin=t, is_release=False, level_db=-20.0)
        for k in keys
        for v in velocities
        for t in range(1, turns + 1)
    ]
    return placed_on_keys(notes, ZoneSettings())


def roots(places: tuple[Place, ...], turns: int, velocities: int, keys: list[int]) -> list[int]:
    return [keys[note // (turns * velocities)] for note in range(len(places))]


def test_only_turns_of_one_key_and_layer_are_compared() -> None:
    places = repeated([48, 60], [40, 100], 3)
    pairs = repeats_to_compare(places)
    assert len(pairs) == 4 * 3
    assert (0, 1) in pairs
    assert all(a // 3 == b // 3 and a < b for a, b in pairs)
    assert repeats_to_compare(repeated([48, 60], [40, 100], 1)) == ()


def test_of_very_many_turns_each_is_compared_with_the_first_alone() -> None:
    assert len(repeats_to_compare(repeated([60], [100], 12))) == 66
    assert repeats_to_compare(repeated([60], [100], 13)) == tuple((0, n) for n in range(1, 13))


def test_alike_repeats_are_folded_and_it_is_said() -> None:
    places = repeated([48, 60], [100], 2)
    got = folded_repeats(places, {(0, 1): ALIKE, (2, 3): UNLIKE}, [48, 48, 60, 60], EQUAL)
    assert [(p.note, p.round_robin, p.round_robins) for p in got.places] == [
        (0, 1, 1),
        (2, 1, 2),
        (3, 2, 2),
    ]
    assert [(f.note, f.same_as) for f in got.folded] == [(1, 0)]
    assert got.remarks == ("1 of 4 repeats is the same sound once more and is left out (C3)",)


def test_all_folded_says_every_key() -> None:
    places = repeated([48, 60], [100], 2)
    got = folded_repeats(
        places, dict.fromkeys(repeats_to_compare(places), ALIKE), [48, 48, 60, 60], EQUAL
    )
    assert got.remarks == (
        "2 of 4 repeats are the same sound once more and are left out (every key)",
    )
    assert all(place.round_robins == 1 for place in got.places)


def test_likeness_to_a_folded_repeat_does_not_count() -> None:
    places = repeated([48], [100], 3)
    likenesses = {(0, 1): ALIKE, (1, 2): ALIKE, (0, 2): UNLIKE}
    got = folded_repeats(places, likenesses, [48, 48, 48], EQUAL)
    assert [place.note for place in got.places] == [0, 2]


def test_of_repeats_that_are_alike_none_that_was_cut_off_stays() -> None:
    places = repeated([48], [100], 3)
    alike = dict.fromkeys(repeats_to_compare(places), ALIKE)
    got = folded_repeats(places, alike, [48, 48, 48], [0.2, 2.5, 2.6])
    assert [(place.note, place.round_robin) for place in got.places] == [(1, 1)]
    assert [(one.note, one.same_as) for one in got.folded] == [(2, 1), (0, 1)]


@given(
    turns=st.integers(1, 4),
    alike=st.sets(st.tuples(st.integers(0, 15), st.integers(0, 15))),
)
def test_every_key_keeps_a_note_and_turns_count_up(turns: int, alike: set[tuple[int, int]]) -> None:
    keys = [48, 60]
    places = repeated(keys, [40, 100], turns)
    likenesses = {p: ALIKE if p in alike else UNLIKE for p in repeats_to_compare(places)}
    got = folded_repeats(places, likenesses, roots(places, turns, 2, keys), EQUAL)
    assert len(got.places) + len(got.folded) == len(places)
    ranges = {(p.low_key, p.low_velocity) for p in places}
    for low_key, low_velocity in ranges:
        own = [p for p in got.places if (p.low_key, p.low_velocity) == (low_key, low_velocity)]
        assert [p.round_robin for p in own] == list(range(1, len(own) + 1))
        assert {p.round_robins for p in own} == {len(own)}
    assert not {one.note for one in got.folded} & {place.note for place in got.places}
    assert {one.same_as for one in got.folded} <= {place.note for place in got.places}
