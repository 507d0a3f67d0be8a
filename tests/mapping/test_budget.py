"""A budget finds what brute force finds, keeps to its limit, and leaves no key silent."""

from dataclasses import replace
from itertools import chain, combinations, pairwise, product
from math import ceil, hypot

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from keymapper.errors import UsageError
from keymapper.mapping.budget import BudgetLimits, BudgetPlan, KeepableNote, budget_plan
from keymapper.mapping.budget.chains import SPEED_DB_PER_SEMITONE
from keymapper.mapping.budget.plan import LEAST_UNITS
from keymapper.mapping.placing import Place, PlaceableNote, placed_as_one_shots, placed_on_keys
from keymapper.model.hearing import difference_db, excitations
from keymapper.model.loop import LoopVerdict
from keymapper.model.recipe import ZoneSettings
from keymapper.model.shape import Shape
from keymapper.model.tone import Tone
from tests.tones import falling_tone

NO_LOOP = LoopVerdict(loop=None, kind="none", reason="")
REACH = ZoneSettings(reach_below=4, reach_above=4)
KEYS_ONLY = BudgetLimits(
    may_fold=False, may_lower_bits=False, may_lower_rates=False, may_shorten=False, zones=REACH
)


def sounding(key: int, cutoff_band: float, tilt: float = 0.8) -> Tone:
    return falling_tone(key, cutoff_band, tilt, 3.0)


def keepable(tone: Tone, frames: int = 10_000, **how: object) -> KeepableNote:
    note = KeepableNote(
        tone=tone, rate=48_000, channels=1, shapes=(Shape(frames=frames, loop=NO_LOOP),)
    )
    return replace(note, **how)  # type: ignore[arg-type]


def on_keys(keys: list[int], velocities: list[int], turns: list[int]) -> tuple[Place, ...]:
    return placed_on_keys(
        [
            PlaceableNote(root_key=k, velocity=v, round_robin=t, is_release=False, level_db=-20.0)
            for k, v, t in zip(keys, velocities, turns, strict=True)
        ],
        REACH,
    )


def one_layer(keys: list[int]) -> tuple[Place, ...]:
    return on_keys(keys, [100] * len(keys), [1] * len(keys))


def playing(places: tuple[Place, ...], key: int, velocity: int) -> list[Place]:
    return [
        p
        for p in places
        if p.low_key <= key <= p.high_key and p.low_velocity <= velocity <= p.high_velocity
    ]


def costs_of_plan(
    plan: BudgetPlan, full: tuple[Place, ...], keys: list[int], notes: list[KeepableNote]
) -> tuple[float, float]:
    """Worst and sum over keys and layers, worked out from the places alone."""
    costs = []
    losses = {t.note: notes[t.note].shapes[t.shape].loss_db for t in plan.treatments}
    for velocity in sorted({p.low_velocity for p in full}):
        for key in range(128):
            before = playing(full, key, velocity)
            if before:
                now = playing(plan.places, key, velocity)[0]
                costs.append(cost(now.note, before[0].note, key, keys, notes, losses[now.note]))
    return max(costs), sum(costs)


def cost(
    now: int, before: int, key: int, keys: list[int], notes: list[KeepableNote], loss_db: float
) -> float:
    a = excitations([notes[now].tone], np.array([key - keys[now]]))
    b = excitations([notes[before].tone], np.array([key - keys[before]]))
    speed = SPEED_DB_PER_SEMITONE * (keys[before] - keys[now])
    return hypot(float(difference_db(a, b)[0, 0]), speed, loss_db)


def brute_force(
    full: tuple[Place, ...], keys: list[int], notes: list[KeepableNote], most_bytes: int
) -> tuple[float, float]:
    """Worst and sum of the best of all subsets of one layer, in all their shapes."""
    unit = ceil(most_bytes / LEAST_UNITS)
    best = (float("inf"), float("inf"))
    order = sorted(range(len(keys)), key=lambda i: keys[i])
    subsets = chain.from_iterable(combinations(order, n) for n in range(1, len(keys) + 1))
    for subset in subsets:
        for shapes in product(*(range(len(notes[i].shapes)) for i in subset)):
            units = sum(
                ceil(notes[i].shapes[s].frames * 3 / unit)
                for i, s in zip(subset, shapes, strict=True)
            )
            if units > most_bytes // unit:
                continue
            splits = [(keys[a] + keys[b]) // 2 for a, b in pairwise(subset)]
            costs = []
            for key in range(128):
                before = playing(full, key, 100)
                if before:
                    at = sum(key > split for split in splits)
                    loss = notes[subset[at]].shapes[shapes[at]].loss_db
                    costs.append(cost(subset[at], before[0].note, key, keys, notes, loss))
            best = min(best, (round(max(costs), 6), sum(costs)))
    return best


@settings(max_examples=12, deadline=None)
@given(
    steps=st.lists(st.integers(2, 6), min_size=3, max_size=4),
    cutoffs=st.lists(st.floats(60.0, 100.0), min_size=5, max_size=5),
    frames=st.lists(st.integers(2_000, 20_000), min_size=5, max_size=5),
    share=st.floats(0.3, 0.95),
)
def test_one_layer_is_as_good_as_brute_force(
    steps: list[int], cutoffs: list[float], frames: list[int], share: float
) -> None:
    keys = [48]
    for step in steps:
        keys.append(keys[-1] + step)
    notes = [
        keepable(
            sounding(key, cutoff),
            shapes=(
                Shape(frames=size, loop=NO_LOOP),
                Shape(frames=size // 2, loop=NO_LOOP, loss_db=0.7, about="shorter"),
            ),
        )
        for key, cutoff, size in zip(keys, cutoffs, frames, strict=False)
    ]
    places = one_layer(keys)
    most_bytes = int(share * sum(3 * note.shapes[0].frames for note in notes))
    limits = replace(KEYS_ONLY, may_shorten=True, most_bytes=most_bytes)
    best = brute_force(places, keys, notes, most_bytes)
    if best[0] == float("inf"):
        with pytest.raises(UsageError, match="cannot hold"):
            budget_plan(places, keys, notes, limits)
        return
    plan = budget_plan(places, keys, notes, limits)
    got = costs_of_plan(plan, places, keys, notes)
    assert got == pytest.approx(best, abs=1e-5)
    assert plan.worst_db == pytest.approx(got[0])
    assert plan.size_bytes <= most_bytes


def layered() -> tuple[list[int], list[KeepableNote], tuple[Place, ...]]:
    """Two alike layers of four keys in two turns each."""
    keys, velocities, turns, notes = [], [], [], []
    for velocity in (40, 110):
        for key in (48, 54, 60, 66):
            for turn in (1, 2):
                keys.append(key)
                velocities.append(velocity)
                turns.append(turn)
                notes.append(keepable(sounding(key, 70 + velocity / 40 + 0.1 * turn)))
    return keys, notes, on_keys(keys, velocities, turns)


@settings(max_examples=15, deadline=None)
@given(most_notes=st.integers(1, 16), share=st.floats(0.1, 1.0), both=st.booleans())
@example(most_notes=11, share=0.154296875, both=True)
def test_every_key_and_velocity_plays_once_within_the_limits(
    most_notes: int, share: float, both: bool
) -> None:
    keys, notes, places = layered()
    most_bytes = int(share * 16 * 30_000) if both else None
    limits = BudgetLimits(most_notes=most_notes, most_bytes=most_bytes, zones=REACH)
    plan = budget_plan(places, keys, notes, limits)
    assert len(plan.treatments) <= most_notes
    assert most_bytes is None or plan.size_bytes <= most_bytes
    for key, velocity in product(range(128), (1, 40, 75, 76, 127)):
        before, now = playing(places, key, velocity), playing(plan.places, key, velocity)
        assert bool(before) == bool(now)
        assert len({keys[place.note] for place in now}) <= 1
        assert sorted(p.round_robin for p in now) == list(range(1, len(now) + 1))
        assert {p.round_robins for p in now} <= {len(now)}
    assert {p.note for p in plan.places} == {t.note for t in plan.treatments}


def test_what_fits_stays_as_it_is() -> None:
    keys, notes, places = layered()
    plan = budget_plan(places, keys, notes, BudgetLimits(most_bytes=10**9, most_notes=16))
    assert plan.places == places
    assert (plan.given_up_of, plan.worst_db, plan.size_bytes) == ((), 0.0, plan.full_bytes)


def test_alike_repeats_and_layers_go_before_keys() -> None:
    keys, notes, places = layered()
    plan = budget_plan(places, keys, notes, BudgetLimits(most_notes=4, zones=REACH))
    assert {keys[t.note] for t in plan.treatments} == {48, 54, 60, 66}
    said = "\n".join(plan.given_up_of[0])
    assert "velocity layer" in said
    assert "4 repeats are left out at every kept key" in said
    assert "recorded keys" not in said


def test_a_key_that_stands_out_is_kept() -> None:
    keys = list(range(48, 72, 3))
    notes = [keepable(sounding(key, 95.0 if key == 57 else 75.0)) for key in keys]
    plan = budget_plan(one_layer(keys), keys, notes, replace(KEYS_ONLY, most_notes=4))
    assert 57 in {keys[t.note] for t in plan.treatments}
    assert any("(C3 D#3" in line or "all but" in line for line in plan.given_up_of[0])


def test_what_a_stack_gave_up_is_told_of_it_alone() -> None:
    keys = [48, 72, 48, 54, 60, 66, 72]
    notes = [
        replace(keepable(sounding(key, 75.0)), stack=stack)
        for key, stack in zip(keys, [0, 0, *[1] * 5], strict=True)
    ]
    bass = one_layer(keys[:2])
    pad = [replace(place, note=place.note + 2) for place in one_layer(keys[2:])]
    plan = budget_plan([*bass, *pad], keys, notes, replace(KEYS_ONLY, most_notes=5))
    of_bass, of_pad = plan.given_up_of
    assert not any("recorded keys" in line for line in of_bass)
    assert any(line.startswith("2 of 5 recorded keys are left out") for line in of_pad)


def test_bits_and_rates_go_before_notes() -> None:
    keys = [48, 54, 60, 66]
    notes = [keepable(sounding(key, 75.0, tilt=2.0), rate=96_000) for key in keys]
    full = sum(3 * note.shapes[0].frames for note in notes)
    limits = BudgetLimits(most_bytes=full // 2, zones=REACH)
    plan = budget_plan(one_layer(keys), keys, notes, limits)
    assert len(plan.treatments) == 4
    assert plan.bits == 16 or any(t.rate < 96_000 for t in plan.treatments)
    assert plan.worst_db < 0.2


def test_sides_that_cancel_are_not_folded() -> None:
    keys = [48, 54, 60, 66]
    tones = [sounding(key, 75.0) for key in keys]
    wide = [replace(tone, folded_bands_db=tuple(b - 10 for b in tone.bands_db)) for tone in tones]
    full = 4 * 2 * 30_000
    limits = BudgetLimits(most_bytes=full // 2, may_lower_rates=False, bits=16, zones=REACH)
    for some, folded in ((tones, True), (wide, False)):
        notes = [keepable(tone, 15_000, channels=2) for tone in some]
        assert budget_plan(one_layer(keys), keys, notes, limits).folded is folded


def test_one_shots_never_stand_in_for_each_other() -> None:
    keys = [36, 38, 40]
    notes = [
        keepable(
            sounding(key + 12, 90.0),
            shapes=(
                Shape(frames=9_000, loop=NO_LOOP),
                Shape(frames=4_000, loop=NO_LOOP, loss_db=2.0, about="ends early"),
            ),
        )
        for key in keys
    ]
    limits = replace(KEYS_ONLY, interchangeable=False, may_shorten=True, most_bytes=60_000)
    hits = [
        PlaceableNote(root_key=k, velocity=None, round_robin=1, is_release=False, level_db=-20.0)
        for k in keys
    ]
    places = placed_as_one_shots(hits, ZoneSettings())
    plan = budget_plan(places, keys, notes, limits)
    assert [(p.low_key, p.high_key) for p in plan.places] == [(36, 36), (38, 38), (40, 40)]
    assert sum(t.shape for t in plan.treatments) == 2
    assert any(line.startswith("ends early at") for line in plan.given_up_of[0])
    with pytest.raises(UsageError, match="no one-shot can stand in"):
        budget_plan(places, keys, notes, replace(limits, most_bytes=30_000))


def test_a_drum_without_layers_widens_nobody_elses() -> None:
    keys, velocities = [36, 36, 38, 38, 49], [40, 110, 40, 110, None]
    hits = [
        PlaceableNote(root_key=k, velocity=v, round_robin=None, is_release=False, level_db=-20.0)
        for k, v in zip(keys, velocities, strict=True)
    ]
    notes = [keepable(sounding(key + 12, 90.0)) for key in keys]
    places = placed_as_one_shots(hits, ZoneSettings())
    limits = replace(KEYS_ONLY, interchangeable=False, may_lower_bits=True, most_bytes=110_000)
    plan = budget_plan(places, keys, notes, limits)
    assert plan.given_up_of[0]
    assert {(p.note, p.low_velocity, p.high_velocity) for p in plan.places} == {
        (p.note, p.low_velocity, p.high_velocity) for p in places
    }


def test_no_note_is_moved_farther_than_allowed() -> None:
    keys = [40, 50, 60, 70, 80]
    notes = [keepable(sounding(key, 75.0)) for key in keys]
    zones = ZoneSettings(reach_below=4, reach_above=4, farthest=6)
    places = placed_on_keys(
        [
            PlaceableNote(root_key=k, velocity=1, round_robin=1, is_release=False, level_db=-20.0)
            for k in keys
        ],
        zones,
    )
    with pytest.raises(UsageError, match="transposed farther"):
        budget_plan(places, keys, notes, replace(KEYS_ONLY, zones=zones, most_notes=4))


def test_release_notes_and_stacks_keep_their_own() -> None:
    keys = [48, 54, 60, 48, 54, 60]
    notes = [keepable(sounding(key, 75.0), stack=i // 3) for i, key in enumerate(keys)]
    first = one_layer(keys[:3])
    second = tuple(replace(place, note=place.note + 3) for place in first)
    plan = budget_plan((*first, *second), keys, notes, replace(KEYS_ONLY, most_notes=2))
    assert {notes[t.note].stack for t in plan.treatments} == {0, 1}
    released = tuple(replace(place, trigger="release") for place in second)
    notes = [replace(note, stack=0) for note in notes]
    plan = budget_plan((*first, *released), keys, notes, replace(KEYS_ONLY, most_notes=2))
    assert {p.trigger for p in plan.places} == {"attack", "release"}


def test_the_same_twice_is_the_same() -> None:
    keys, notes, places = layered()
    limits = BudgetLimits(most_bytes=100_000, zones=REACH)
    assert budget_plan(places, keys, notes, limits) == budget_plan(places, keys, notes, limits)
