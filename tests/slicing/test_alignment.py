"""Lining onsets up with a plan."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from keymapper.slicing.alignment import fitted_line, possible_alignments


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    latency=st.floats(-20, 30),
    drift_ppm=st.floats(-900, 900),
    missing=st.floats(0, 0.3),
)
def test_latency_and_drift_come_back_from_uneven_plans(seed, latency, drift_ppm, missing):
    draw = np.random.default_rng(seed)
    plan = np.cumsum(draw.uniform(1.5, 4.0, 60))
    played = draw.uniform(size=60) >= missing
    heard = latency + (1 + drift_ppm * 1e-6) * plan[played] + draw.normal(0, 0.0005, played.sum())
    others = draw.uniform(heard.min(), heard.max(), 4)
    onsets = np.sort(np.concatenate([heard, others]))
    best = possible_alignments(plan, onsets, np.ones(len(onsets)))[0]
    middle = float(np.mean(plan))
    assert abs(best.take_seconds(middle) - latency - (1 + drift_ppm * 1e-6) * middle) < 0.001
    assert abs(best.drift * 1e6 - drift_ppm) < 15
    assert played[best.notes].sum() >= played.sum() - 2


def test_equal_distances_give_several_places():
    plan = np.arange(20) * 2.0
    places = possible_alignments(plan, plan[5:15] + 0.3, np.ones(10))
    assert len(places) > 5
    assert any(abs(place.latency_seconds - 0.3) < 0.01 for place in places)
    assert [len(place.notes) for place in places[:5]] == [10] * 5


def test_nothing_heard_and_nothing_planned():
    assert possible_alignments(np.arange(3.0), np.zeros(0), np.zeros(0)) == ()
    assert possible_alignments(np.zeros(0), np.arange(3.0), np.ones(3)) == ()


def test_one_note_far_off_does_not_bend_the_line():
    plan = np.arange(30) * 10.0
    heard = 0.5 + (1 + 100e-6) * plan
    heard[7] += 0.03
    latency, drift = fitted_line(plan, heard, np.ones(30), 0.49, 0.0)
    assert abs(latency - 0.5) < 1e-5
    assert abs(drift - 100e-6) < 1e-7


def test_notes_that_a_tail_may_hide_pull_the_line_up_less():
    plan = np.arange(12.0)
    late = np.where(np.arange(12) % 3 == 0, 0.0, 0.001 * (np.arange(12) % 4))
    found = [
        fitted_line(plan, 0.3 + plan + late, np.ones(12), 0.3, 0.0, hidden)
        for hidden in (np.full(12, True), None)
    ]
    errors = [abs(latency - 0.3) + 6 * abs(drift) for latency, drift in found]
    assert errors[0] < 0.6 * errors[1]
