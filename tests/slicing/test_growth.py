"""Partials that grow from key-down on, fitted with what still rings."""

import numpy as np
import pytest

from keymapper.slicing.growth import (
    GROWN_SECONDS,
    CoarseNote,
    fit_of,
    ground_of,
    growth_from,
    prior_of,
)
from keymapper.slicing.moments import powers_from
from keymapper.slicing.partials import Partials

RATE = 4000.0
QUIET_SECONDS = -0.03
HZ = np.array([220.0, 440.0, 661.0])
AMPLITUDES = np.array([1.0, 0.5, 0.3])


def note_of(
    noise_rms: float,
    *,
    tail: float = 0.0,
    tail_hz: float = 330.0,
    grows: float = 1.0,
    seed: int = 1,
):
    """A note that fades in over 2 s after a tail, and what it is without the tail and noise."""
    seconds = np.arange(-0.25, 0.5, 1 / RATE)
    held = np.arange(0, 1.5, 1 / RATE)
    angles = 2 * np.pi * HZ
    growing = (
        grows * np.clip(seconds, 0, None) / 2 * (AMPLITUDES @ np.cos(np.outer(angles, seconds)))
    )
    ringing = tail * np.exp(-4 * seconds) * np.sin(2 * np.pi * tail_hz * seconds)
    noise = np.random.default_rng(seed).normal(0, noise_rms, len(seconds))
    note = CoarseNote(
        samples=(growing + ringing + noise)[:, None],
        factor=1,
        rate_hz=RATE,
        seconds=seconds,
        quiet_seconds=QUIET_SECONDS,
        hold=(AMPLITUDES @ np.cos(np.outer(angles, held)))[:, None],
        partials=Partials(hz=HZ, amplitudes=AMPLITUDES / np.sqrt(2)),
        tail=Partials(hz=np.array([tail_hz]), amplitudes=np.array([tail])),
        tail_decay=4.0,
        hum_hz=np.zeros(0),
        high_power=0.0,
    )
    return note, growing[seconds >= 0]


def test_growth_is_found_beneath_a_louder_tail():
    note, growing = note_of(1e-5, tail=0.5)
    growth = growth_from(ground_of(note, GROWN_SECONDS), 0.0)
    fit = fit_of(growth)
    seen = (growth.courses @ fit.growing)[:, 0]
    assert fit.is_good
    assert np.abs(seen - growing[: len(seen)]).max() < 1e-3


def test_the_true_moment_explains_most():
    note, _ = note_of(1e-4, tail=0.1)
    ground = ground_of(note, GROWN_SECONDS)
    powers = powers_from(ground, np.array([-0.05, -0.01, 0.0, 0.01, 0.05]))[0]
    assert np.argmax(powers) == 2


@pytest.mark.parametrize("moments", [[0.01], [-0.2, -0.0301, 0.0, 0.0002, 0.13]])
def test_sums_shared_by_moments_explain_what_a_growth_from_each_does(moments):
    note, _ = note_of(1e-3, tail=0.3)
    ground = ground_of(note, GROWN_SECONDS)
    powers = powers_from(ground, np.array(moments))[0]
    for moment, power in zip(moments, powers, strict=True):
        growth = growth_from(ground, moment)
        alone = (growth.heard * np.linalg.solve(growth.precision, growth.heard)).sum()
        assert power == pytest.approx(alone, rel=1e-9)


def test_noise_alone_does_not_grow():
    note, _ = note_of(1e-3, grows=0.0)
    assert not fit_of(growth_from(ground_of(note, GROWN_SECONDS), 0.0)).is_good


@pytest.mark.parametrize("seed", range(4))
def test_the_hold_keeps_noise_from_bending_a_growth(seed):
    note, growing = note_of(0.1, seed=seed)
    growth = growth_from(ground_of(note, GROWN_SECONDS), 0.0)
    free = fit_of(growth)
    held = fit_of(growth, prior_of(growth, free))
    errors = [
        np.sqrt(
            np.mean(((growth.courses @ fit.growing)[:, 0] - growing[: len(growth.courses)]) ** 2)
        )
        for fit in (held, free)
    ]
    assert errors[0] < 0.8 * errors[1]


def test_a_tail_of_the_same_pitch_does_not_bend_into_a_note_through_noise():
    errors = []
    for seed in range(8):
        note, growing = note_of(0.02, tail=0.02, tail_hz=220.5, seed=seed)
        growth = growth_from(ground_of(note, GROWN_SECONDS), 0.0)
        seen = (growth.courses @ fit_of(growth, prior_of(growth, fit_of(growth))).growing)[:, 0]
        errors.append((seen - growing[: len(seen)])[: round(0.1 * RATE)])
    assert np.sqrt(np.mean(np.square(errors))) < 0.002
