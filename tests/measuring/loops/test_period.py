"""The period a sustain repeats with is told from its autocorrelation; a drift has none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.measuring.loops import find_loop
from keymapper.measuring.loops.period import NO_PERIOD, find_period


def autocorrelation(levels: np.ndarray) -> np.ndarray:
    centred = levels - levels.mean()
    lags = range(len(centred))
    pairs = [(centred[: len(centred) - lag], centred[lag:]) for lag in lags]
    return np.array([a @ b / np.sqrt(max(1e-12, (a @ a) * (b @ b))) for a, b in pairs])


@given(period=st.floats(10.0, 100.0), phase=st.floats(0, 1), seed=st.integers(0, 100))
def test_a_noisy_tremolo_has_its_period(period: float, phase: float, seed: int) -> None:
    turns = np.arange(400) / period + phase
    levels = np.sin(2 * np.pi * turns) + np.random.default_rng(seed).normal(0, 0.2, len(turns))
    found = find_period(autocorrelation(levels))
    assert found.certainty > 0.5
    turns_found = found.hops / period
    assert turns_found == pytest.approx(max(1, round(turns_found)), rel=0.02)


def test_many_periods_tell_it_exactly() -> None:
    levels = np.sin(2 * np.pi * np.arange(600) / 17.3)
    assert find_period(autocorrelation(levels)).hops == pytest.approx(17.3, rel=1e-3)


@pytest.mark.parametrize(
    "levels",
    [np.zeros(300), np.arange(300.0), np.sin(np.arange(300) / 90), np.arange(4.0), np.zeros(1)],
)
def test_what_does_not_come_round_has_no_period(levels: np.ndarray) -> None:
    assert find_period(autocorrelation(levels)) == NO_PERIOD


def test_lengths_count_by_how_far_they_are_from_whole_periods() -> None:
    found = find_period(autocorrelation(np.sin(2 * np.pi * np.arange(600) / 20)))
    off = found.off(np.array([20.0, 60.0, 61.0, 70.0, 2.0]))
    assert off == pytest.approx([0, 0, 0.05, 0.12, 0.12], abs=0.003)


@pytest.mark.parametrize("period_seconds", [0.31, 0.57, 1.03])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_loops_of_noise_in_a_tremolo_are_whole_turns_of_it(
    period_seconds: float, seed: int
) -> None:
    rate = 48_000
    seconds = np.arange(4 * rate) / rate
    gain_db = 5 * np.sin(2 * np.pi * seconds / period_seconds)
    noise = np.random.default_rng(seed).normal(0, 0.05, len(seconds))
    verdict = find_loop((noise * 10 ** (gain_db / 20))[:, None], rate)
    assert verdict.loop is not None
    turns = verdict.loop.length_frames / rate / period_seconds
    assert turns == pytest.approx(round(turns), abs=0.02)
