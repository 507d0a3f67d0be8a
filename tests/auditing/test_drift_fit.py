"""The robust fit gives back what deviations were made of."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.auditing.drift_fit import Deviations, fit_drift

KEYS = np.arange(36, 97, 2)


def _deviations(
    seed: int, course: np.ndarray | float = 0.0, *, shuffled: bool = True, noise: float = 0.1
) -> tuple[Deviations, np.random.Generator]:
    """3 cents sharp, 1.2 cents an octave; `course` is a function of time from 0 to 1."""
    rng = np.random.default_rng(seed)
    notes = len(KEYS)
    order = rng.permutation(notes) if shuffled else np.arange(notes)
    time = order / (notes - 1)
    course = np.interp(time, np.linspace(0, 1, len(np.atleast_1d(course))), np.atleast_1d(course))
    octaves = (KEYS - 60) / 12
    cents = 3.0 + 1.2 * octaves + course + noise * rng.standard_normal(notes)
    deviations = Deviations(
        cents=cents,
        error_cents=np.full(notes, 0.2),
        octaves=octaves,
        velocity=None,
        time=10 * time,
    )
    return deviations, rng


@pytest.mark.parametrize("seed", range(6))
def test_offset_and_slope_come_back_and_no_drift_is_invented(seed):
    fit = fit_drift(_deviations(seed)[0])
    assert fit.kind == "none"
    assert fit.value("offset") == pytest.approx(3.0, abs=0.15)
    assert fit.value("slope") == pytest.approx(1.2, abs=0.08)
    assert fit.error("offset") < 0.2


@pytest.mark.parametrize("depth", [-12.0, -2.0, 1.0, 9.0])
def test_a_straight_drift_comes_back(depth):
    fit = fit_drift(_deviations(3, np.array([depth, 0.0]))[0])
    assert fit.kind == "straight"
    assert fit.value("depth") == pytest.approx(depth, rel=0.1, abs=0.1)
    assert abs(fit.value("depth") - depth) <= 1.5 * fit.error("depth")


@pytest.mark.parametrize("depth", [-12.0, 3.0, 9.0])
def test_a_settling_drift_comes_back_with_its_time(depth):
    curve = depth * np.exp(-np.linspace(0, 1, 500) / 0.2)
    fit = fit_drift(_deviations(5, curve)[0])
    assert fit.kind == "settling"
    assert fit.value("depth") == pytest.approx(depth, rel=0.1)
    assert fit.time_constant == pytest.approx(2.0, rel=0.2)
    assert fit.value("offset") == pytest.approx(3.0, abs=0.3)


def test_odd_notes_lose_their_weight():
    deviations, rng = _deviations(8, np.array([6.0, 0.0]))
    odd = rng.choice(len(KEYS), 2, replace=False)
    deviations.cents[odd] += np.array([25.0, -7.0])
    fit = fit_drift(deviations)
    assert set(np.flatnonzero(fit.weights == 0)) == set(odd)
    assert fit.value("depth") == pytest.approx(6.0, rel=0.1)


def test_keys_recorded_upwards_cannot_be_told_from_straight_drift():
    fit = fit_drift(_deviations(2, np.array([5.0, 0.0]), shuffled=False)[0])
    assert fit.inseparable == ("keyboard slope", "straight drift")
    assert fit.kind == "none"


def test_velocity_is_fitted_where_it_varies():
    deviations, _ = _deviations(4)
    velocity = np.where(np.arange(len(KEYS)) % 2, 0.2, -0.6)
    moved = Deviations(
        cents=deviations.cents + 5.0 * velocity,
        error_cents=deviations.error_cents,
        octaves=deviations.octaves,
        velocity=velocity,
        time=None,
    )
    assert fit_drift(moved).value("velocity") == pytest.approx(5.0, abs=0.3)


def test_three_notes_give_an_offset_alone():
    few = Deviations(
        cents=np.array([4.0, 4.2, 3.9]),
        error_cents=np.full(3, 0.1),
        octaves=np.array([0.0, 1.0, 2.0]),
        velocity=None,
        time=None,
    )
    fit = fit_drift(few)
    assert fit.columns == ("offset",)
    assert fit.value("offset") == pytest.approx(4.0, abs=0.15)
    assert np.isfinite(fit.errors).all()


@pytest.mark.parametrize("notes", [5, 7, 9, 16])
def test_random_notes_get_no_cause(notes):
    """Of 60 sets without slope or warm-up, a 95 % interval may miss 3, give or take."""
    slopes = courses = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        fit = fit_drift(
            Deviations(
                cents=rng.normal(0, 4, notes),
                error_cents=np.full(notes, 0.2),
                octaves=np.linspace(-2, 2, notes),
                velocity=None,
                time=0.3 * rng.permutation(notes),
            )
        )
        slopes += abs(fit.value("slope")) > fit.error("slope")
        courses += fit.kind != "none"
    assert slopes <= 8
    assert courses <= 5
