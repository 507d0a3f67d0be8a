"""Slow notes that begin under the noise."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.slicing.buried import buried_onset

RATE = 48_000
SEARCH = 12_000
KEY_DOWN = 13_000


def swelling(f0_hz: float, noise_rms: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a swell of 2 s that begins at KEY_DOWN, without and with noise."""
    seconds = np.arange(3 * RATE) / RATE
    wave = sum(np.sin(2 * np.pi * k * f0_hz * seconds + k) / k for k in range(1, 7))
    wave = wave / np.abs(wave).max()
    gain = np.clip((np.arange(len(wave)) - KEY_DOWN) / (2 * RATE), 0, 1)
    noise = noise_rms * np.random.default_rng(seed).standard_normal(len(wave))
    return wave * gain, wave * gain + noise


@pytest.mark.parametrize("f0_hz", [98.0, 220.0, 523.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_swell_is_seen_where_it_reaches_one_per_cent_though_noise_hides_it(
    f0_hz: float, seed: int
) -> None:
    clean, noisy = swelling(f0_hz, 0.004, seed)
    truth = int(np.argmax(np.abs(clean) >= 0.01))
    found = buried_onset(noisy[:24_000], SEARCH, noisy[-RATE:], RATE, 1.0, 0.01)
    assert found is not None
    assert -0.015 <= (found.frame - truth) / RATE <= 0.002


def test_noise_alone_and_what_no_filter_can_lift_begin_nowhere() -> None:
    _, noisy = swelling(220.0, 0.004, 3)
    assert buried_onset(noisy[:SEARCH], SEARCH - 2000, noisy[-RATE:], RATE, 1.0, 0.01) is None
    hiss = np.random.default_rng(4).standard_normal(RATE)
    assert buried_onset(hiss[:24_000], SEARCH, hiss, RATE, 4.0, 1.0) is None
