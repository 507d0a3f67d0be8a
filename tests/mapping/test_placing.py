from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.placing import PlaceableNote, placed_as_one_shots, placed_on_keys
from keymapper.model.recipe import ZoneSettings

notes = st.lists(
    st.builds(
        PlaceableNote,
        root_key=st.integers(0, 127),
        velocity=st.none() | st.sampled_from([30, 64, 100, 127]),
        round_robin=st.none() | st.integers(1, 3),
        is_release=st.just(False),
        level_db=st.floats(-60, 0),
    ),
    min_size=1,
    max_size=40,
)


@given(notes)
def test_every_note_has_one_place(given_notes):
    places = placed_on_keys(given_notes, ZoneSettings())
    assert sorted(place.note for place in places) == list(range(len(given_notes)))


@given(notes)
def test_every_key_and_velocity_in_range_plays_one_turn_of_one_root(given_notes):
    places = placed_on_keys(given_notes, ZoneSettings(reach_below=0, reach_above=0))
    low = min(note.root_key for note in given_notes)
    layers = {place.low_velocity for place in places}
    for velocity in {1, 127, *layers}:
        for key in {low, *(place.low_key for place in places)}:
            playing = [
                place
                for place in places
                if place.low_key <= key <= place.high_key
                and place.low_velocity <= velocity <= place.high_velocity
            ]
            assert len({given_notes[place.note].root_key for place in playing}) <= 1
            turns = Counter(place.round_robin for place in playing)
            assert all(count == 1 for count in turns.values())
            if playing:
                assert set(turns) == set(range(1, playing[0].round_robins + 1))


def test_repeats_take_turns_in_the_order_of_their_hints():
    repeats = [
        PlaceableNote(root_key=60, velocity=100, round_robin=r, is_release=False, level_db=-20)
        for r in (2, 1)
    ]
    places = placed_on_keys(repeats, ZoneSettings())
    assert [(p.note, p.round_robin, p.round_robins) for p in places] == [(1, 1, 2), (0, 2, 2)]


def test_release_notes_have_places_of_their_own():
    mixed = [
        PlaceableNote(root_key=60, velocity=None, round_robin=None, is_release=r, level_db=-20)
        for r in (False, True)
    ]
    places = placed_on_keys(mixed, ZoneSettings())
    assert [place.trigger for place in places] == ["attack", "release"]
    assert [place.round_robins for place in places] == [1, 1]


def hit(key, velocity=None, turn=None, level_db=-20.0):
    return PlaceableNote(
        root_key=key, velocity=velocity, round_robin=turn, is_release=False, level_db=level_db
    )


def test_one_shots_sit_on_one_key_each():
    places = placed_as_one_shots([hit(38), hit(36), hit(41)], ZoneSettings())
    assert [(p.note, p.low_key, p.high_key) for p in places] == [
        (1, 36, 36),
        (0, 38, 38),
        (2, 41, 41),
    ]
    assert {(p.low_velocity, p.high_velocity, p.round_robins) for p in places} == {(1, 127, 1)}


def test_hits_of_one_key_are_its_own_layers_and_turns():
    hits = [hit(36, 127, 1), hit(36, 40, 1), hit(36, 127, 2), hit(38, 100)]
    places = placed_as_one_shots(hits, ZoneSettings())
    assert [
        (p.note, p.low_key, p.low_velocity, p.high_velocity, p.round_robin, p.round_robins)
        for p in places
    ] == [
        (1, 36, 1, 83, 1, 1),
        (0, 36, 84, 127, 1, 2),
        (2, 36, 84, 127, 2, 2),
        (3, 38, 1, 127, 1, 1),
    ]


def test_numbered_repeats_of_a_hit_are_no_layers_however_loud():
    hits = [hit(36, turn=turn, level_db=-10.0 * turn) for turn in (1, 2, 3)]
    places = placed_as_one_shots(hits, ZoneSettings())
    assert [(p.note, p.low_velocity, p.round_robin) for p in places] == [
        (0, 1, 1),
        (1, 1, 2),
        (2, 1, 3),
    ]
    unnumbered = placed_as_one_shots([hit(36, level_db=-10.0), hit(36)], ZoneSettings())
    assert [(p.note, p.high_velocity) for p in unnumbered] == [(1, 64), (0, 127)]


def test_no_more_than_a_hundred_repeats_take_turns():
    places = placed_on_keys([hit(60, turn=turn) for turn in range(1, 106)], ZoneSettings())
    assert [p.note for p in places] == list(range(100))
    assert {p.round_robins for p in places} == {100}
