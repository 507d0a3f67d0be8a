"""No key that sounds is silent at some velocities."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keymapper.mapping.dynamics import DynamicZone, velocity_gains
from keymapper.mapping.filling import filled, unreached
from keymapper.mapping.placing import PlaceableNote, placed_on_keys
from keymapper.mapping.set_notes import Area, PlacedNote, areas_of
from keymapper.model.instrument import Decision
from keymapper.model.recipe import ZoneSettings

SOFT_DBFS, DB_A_VELOCITY = -40.0, 0.2


def laid(
    roots: list[tuple[int, int]], fade: int = 0, raised: tuple[int, float] = (0, 0.0)
) -> tuple[tuple[PlacedNote, ...], list[float]]:
    """Notes of given (key, velocity) laid on keys, louder with velocity; and their levels.

    raised : a velocity whose notes are louder than that, and by how many decibels.
    """
    levels = [
        SOFT_DBFS + DB_A_VELOCITY * velocity + (raised[1] if velocity == raised[0] else 0.0)
        for _, velocity in roots
    ]
    notes = [
        PlaceableNote(
            root_key=key, velocity=velocity, round_robin=None, is_release=False, level_db=level
        )
        for (key, velocity), level in zip(roots, levels, strict=True)
    ]
    places = placed_on_keys(notes, ZoneSettings(velocity_fade=fade))
    curves = velocity_gains(
        [
            DynamicZone(
                low_key=place.low_key,
                high_key=place.high_key,
                low_velocity=place.low_velocity,
                high_velocity=place.high_velocity,
                nominal_velocity=min(
                    max(roots[place.note][1], place.low_velocity), place.high_velocity
                ),
                level_db=levels[place.note],
                fade_below=place.fade_below,
                fade_above=place.fade_above,
            )
            for place in places
        ]
    )
    placed = [
        PlacedNote(
            note=place.note,
            decision=Decision(
                root_key=roots[place.note][0],
                tuning_cents=0.0,
                velocity=roots[place.note][1],
                round_robin=None,
                is_release=False,
                decided_by="name",
            ),
            place=place,
            gain_db=0.0,
            velocity_gains=curve,
            velocity_tracking="curve",
            is_reversed=False,
            choke_group=0,
        )
        for place, curve in zip(places, curves, strict=True)
    ]
    ordered = [levels[place.note] for place in places]
    return filled(placed, ordered), ordered


def playing(notes: tuple[PlacedNote, ...], key: int, velocity: int) -> list[tuple[int, Area]]:
    """Which notes sound there, and from which area."""
    return [
        (index, area)
        for index, note in enumerate(notes)
        for area in areas_of(note)
        if area.low_key <= key <= area.high_key
        and area.low_velocity <= velocity <= area.high_velocity
    ]


layers = st.lists(
    st.tuples(st.sampled_from(range(24, 100, 4)), st.sampled_from([20, 60, 100, 120])),
    min_size=1,
    max_size=24,
    unique=True,
)


@settings(deadline=None)
@given(layers)
def test_every_key_that_sounds_does_so_once_at_every_velocity(
    roots: list[tuple[int, int]],
) -> None:
    notes, _ = laid(roots)
    for key in range(128):
        counts = {len(playing(notes, key, velocity)) for velocity in range(1, 128, 3)}
        assert counts in ({0}, {1})


@settings(deadline=None)
@given(layers)
def test_points_of_the_level_rise_and_lie_within_the_area(roots: list[tuple[int, int]]) -> None:
    for note in laid(roots)[0]:
        for area in areas_of(note):
            points = [gain.velocity for gain in area.velocity_gains]
            assert points == sorted(set(points))
            if points:
                assert (points[0], points[-1]) == (area.low_velocity, area.high_velocity)


MIDDLE_MISSING = [(key, velocity) for key in (36, 60, 84) for velocity in (20, 120)] + [(60, 70)]


def level_dbfs(area: Area, own_dbfs: float, velocity: int) -> float:
    points = [(gain.velocity, gain.gain_db) for gain in area.velocity_gains]
    before = max(point for point in points if point[0] <= velocity)
    after = min(point for point in points if point[0] >= velocity)
    way = (velocity - before[0]) / max(1, after[0] - before[0])
    return own_dbfs + before[1] + way * (after[1] - before[1])


@pytest.mark.parametrize("key", [36, 47, 60, 73, 84])
def test_level_rises_alike_where_the_middle_layer_is_there_and_where_not(key: int) -> None:
    notes, levels = laid(MIDDLE_MISSING)
    for velocity in range(20, 121):
        ((index, area),) = playing(notes, key, velocity)
        wanted = SOFT_DBFS + DB_A_VELOCITY * velocity
        assert level_dbfs(area, levels[index], velocity) == pytest.approx(wanted, abs=0.01)


@pytest.mark.parametrize("missing", [{70}, {120}, {70, 120}, {20}, {20, 70}])
def test_level_rises_as_elsewhere_where_the_outer_layers_are_missing(missing: set[int]) -> None:
    layers = (20, 70, 120)
    full = [(key, velocity) for key in (36, 48) for velocity in layers]
    notes, levels = laid([*full, *((84, velocity) for velocity in {*layers} - missing)])
    for velocity in range(20, 121):
        ((index, area),) = playing(notes, 84, velocity)
        wanted = SOFT_DBFS + DB_A_VELOCITY * velocity
        assert level_dbfs(area, levels[index], velocity) == pytest.approx(wanted, abs=0.05)


def test_where_layers_fade_the_level_goes_on_to_the_end_of_the_fade() -> None:
    notes, levels = laid(MIDDLE_MISSING, fade=20)
    ((index, area),) = playing(notes, 36, 90)
    assert (area.high_velocity, area.velocity_gains[-1].velocity) == (95, 105)
    for velocity in range(20, 106):
        wanted = SOFT_DBFS + DB_A_VELOCITY * velocity
        assert level_dbfs(area, levels[index], velocity) == pytest.approx(wanted, abs=0.02)


def test_a_missing_layer_leads_no_note_past_its_own_velocities() -> None:
    notes, levels = laid(MIDDLE_MISSING, fade=40, raised=(70, 10.0))
    ((index, area),) = playing(notes, 36, 70)
    own, next_begins = (level_dbfs(area, levels[index], velocity) for velocity in (45, 76))
    for velocity in range(45, 77):
        way = (velocity - 45) / (76 - 45)
        wanted = own + way * (next_begins - own)
        assert level_dbfs(area, levels[index], velocity) == pytest.approx(wanted, abs=0.1)


def test_a_complete_set_keeps_its_places() -> None:
    notes, _ = laid([(key, velocity) for key in (36, 60, 84) for velocity in (20, 120)])
    assert not any(note.areas for note in notes)
    assert unreached(notes) == []


def test_what_no_note_of_a_layer_reaches_is_told() -> None:
    notes, _ = laid([(key, 20) for key in (24, 48, 72, 96)] + [(48, 120)])
    (told,) = unreached(notes)
    assert told.startswith("velocities 71 – 127 have no note that reaches C0 – B1, C#4 – C8")


@pytest.mark.parametrize("velocity", [1, 64, 127])
def test_a_lone_loud_layer_plays_softly_where_the_soft_one_is_missing(velocity: int) -> None:
    notes, _ = laid([(60, 30), (60, 110), (24, 110)])
    assert [notes[index].decision.velocity for index, _ in playing(notes, 24, velocity)] == [110]
