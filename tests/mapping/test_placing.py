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


def test_one_shots_sit_on_one_key_each():
    places = placed_as_one_shots([36, 38, 41])
    assert [(p.low_key, p.high_key) for p in places] == [(36, 36), (38, 38), (41, 41)]
