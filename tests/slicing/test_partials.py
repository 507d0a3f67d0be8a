"""The sine waves that stand out of a spectrum."""

from __future__ import annotations

import numpy as np

from keymapper.slicing.partials import partials_of, waves

RATE = 12_000


def test_frequencies_and_strengths_come_out_strongest_first():
    seconds = np.arange(RATE) / RATE
    sound = 0.1 * np.sin(2 * np.pi * 220.3 * seconds) + 0.4 * np.sin(2 * np.pi * 661.8 * seconds)
    found = partials_of(np.stack([sound, sound], axis=1), RATE)
    assert np.allclose(found.hz[:2], [661.8, 220.3], atol=0.05)
    assert np.allclose(found.amplitudes[:2], [0.4, 0.1], rtol=0.05)
    assert found.above(0.2).hz.tolist() == found.hz[:1].tolist()


def test_all_partials_of_several_voices_are_found():
    seconds = np.arange(RATE) / RATE
    made_hz = [220.0 * number + apart for number in range(1, 9) for apart in (-7.0, 0.0, 11.0)]
    sound = sum(np.sin(2 * np.pi * hz * seconds + hz) for hz in made_hz)[:, None]
    found = partials_of(sound, RATE)
    assert np.allclose(sorted(found.hz[: len(made_hz)]), made_hz, atol=0.2)


def test_silence_has_none():
    assert len(partials_of(np.zeros((RATE, 1)), RATE).hz) == 0


def test_waves_turn_and_die_away():
    seconds = np.arange(600) / RATE
    made = waves(np.array([100.0]), 5.0, 600, RATE)
    assert made.shape == (600, 2)
    ratio = made[240, 0] / made[120, 0]  # one period of 100 Hz later
    assert np.isclose(ratio, np.exp(-5.0 * (seconds[240] - seconds[120])))
