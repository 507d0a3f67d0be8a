"""Band powers of what is listened to."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft

from keymapper.measuring.views import view_powers, windows


def spectra_of(channels: int) -> np.ndarray:
    audio = np.random.default_rng(channels).standard_normal((channels, 5, 64))
    return np.asarray(fft.rfft(audio.astype(np.float32), axis=2))


WEIGHTS = np.random.default_rng(9).random((33, 4)).astype(np.float32)


def test_a_stereo_sound_is_heard_left_right_and_in_mono() -> None:
    spectra = spectra_of(2)
    views = np.stack([spectra[0], spectra[1], spectra.mean(axis=0)])
    assert view_powers(spectra, WEIGHTS) == pytest.approx(np.abs(views) ** 2 @ WEIGHTS, rel=1e-4)


@pytest.mark.parametrize("channels", [1, 3])
def test_other_sounds_are_heard_channel_by_channel(channels: int) -> None:
    spectra = spectra_of(channels)
    assert view_powers(spectra, WEIGHTS) == pytest.approx(np.abs(spectra) ** 2 @ WEIGHTS, rel=1e-4)


def test_opposite_sides_leave_no_negative_mono_power() -> None:
    one = spectra_of(1)
    powers = view_powers(np.concatenate([one, -one]), WEIGHTS)
    assert powers.min() >= 0
    assert powers[2].max() < 1e-5 * powers[0].max()


@pytest.mark.parametrize(("frames", "times"), [(64, 1), (63, 0), (79, 1), (80, 2), (200, 9)])
def test_windows_lie_a_hop_apart(frames: int, times: int) -> None:
    audio = np.random.default_rng(4).standard_normal((2, frames))
    found = windows(audio, 64, 16)
    assert found.shape == (2, times, 64)
    for time in range(times):
        np.testing.assert_array_equal(found[:, time], audio[:, 16 * time : 16 * time + 64])
    assert not found.flags.writeable
