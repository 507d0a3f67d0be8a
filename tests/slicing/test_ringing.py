"""The tail before a note, carried on."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.slicing.ringing import carried_on

RATE = 48_000
KNOWN = RATE // 4
SECONDS = np.arange(KNOWN + RATE // 10) / RATE


def tail(detuned_cents: float) -> np.ndarray:
    """Two voices of five partials that fall by 60 dB in 1.5 s."""
    voices = [
        np.sin(2 * np.pi * 196.0 * k * 2 ** (cents / 1200) * SECONDS + k) / k
        for k in range(1, 6)
        for cents in (0.0, detuned_cents)
    ]
    return np.asarray(np.sum(voices, axis=0) * 10 ** (-3 * SECONDS / 1.5))


@pytest.mark.parametrize("detuned_cents", [0.0, 4.0, 11.0, 35.0])
def test_a_tail_of_beating_partials_is_foretold(detuned_cents: float) -> None:
    signal = tail(detuned_cents)
    rest = signal - carried_on(signal, KNOWN, RATE)
    assert np.abs(rest[KNOWN:]).max() < 0.01 * np.abs(signal[KNOWN:]).max()


def test_noise_hardly_disturbs_it() -> None:
    noise = np.random.default_rng(3).normal(0, 0.003, len(SECONDS))
    signal = tail(11.0)
    rest = signal + noise - carried_on(signal + noise, KNOWN, RATE)
    assert np.std(rest[KNOWN:]) < 2 * np.std(noise) < 0.05 * np.std(signal[KNOWN:])


def test_what_begins_later_is_left_over() -> None:
    signal = tail(11.0)
    note = np.where(np.arange(len(SECONDS)) < KNOWN, 0, 0.05 * np.sin(2 * np.pi * 330 * SECONDS))
    rest = signal + note - carried_on(signal + note, KNOWN, RATE)
    assert rest == pytest.approx(note, abs=0.005)


@pytest.mark.parametrize("signal", [np.zeros(20_000), np.ones(20_000)[:500]])
def test_where_nothing_rings_nothing_is_foretold(signal: np.ndarray) -> None:
    assert not carried_on(signal, len(signal) - 100, RATE).any()


@pytest.mark.parametrize("known", [-100, 0, 1, 300, len(SECONDS) + 1])
@pytest.mark.parametrize("rate_hz", [8_000, 48_000])
def test_where_too_little_is_known_nothing_is_foretold(known: int, rate_hz: int) -> None:
    assert not carried_on(tail(11.0), known, rate_hz).any()
