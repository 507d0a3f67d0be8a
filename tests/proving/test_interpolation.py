from __future__ import annotations

import numpy as np
import pytest

from keymapper.proving.interpolation import resampled
from tests.proving.playing import RATE, sine


def error_db(frequency: float, step: float, start: float = 0.0) -> float:
    """Return the worst error away from the ends, relative to the sine's amplitude."""
    frames = 8000
    sound = sine(frequency, int(start + frames * step) + 200, amplitude=1.0)
    played = resampled(sound[:, np.newaxis].astype(np.float32), start, step, frames)[:, 0]
    truth = np.sin(2 * np.pi * frequency / RATE * (start + step * np.arange(frames)))
    return float(20 * np.log10(np.abs(played - truth)[400:-400].max()))


@pytest.mark.parametrize("frequency", [30, 440, 5_000, 12_345, 19_900])
@pytest.mark.parametrize("step", [0.25, 0.7491, 0.99, 1.0])
def test_slowed_down_sines_are_right_to_minus_90_db(frequency: float, step: float) -> None:
    assert error_db(frequency, step) < -90


@pytest.mark.parametrize("frequency", [30, 440, 3_000, 5_000])
@pytest.mark.parametrize("step", [1.0003, 1.02, 1.0595, 1.4983, 2.0, 3.9])
def test_sped_up_sines_are_right_to_minus_90_db(frequency: float, step: float) -> None:
    assert error_db(frequency, step, start=17.25) < -90


def test_what_would_pass_the_nyquist_frequency_is_taken_out() -> None:
    sound = sine(15_000, 40_000, amplitude=1.0)[:, np.newaxis].astype(np.float32)
    played = resampled(sound, 0.0, 2.0, 19_000)[500:-500]
    assert 20 * np.log10(np.abs(played).max()) < -90


def test_whole_steps_copy_exactly_and_silence_lies_around() -> None:
    sound = np.random.default_rng(1).standard_normal((100, 2)).astype(np.float32)
    assert np.array_equal(resampled(sound, 10.0, 1.0, 50), sound[10:60])
    assert not resampled(sound, 0.0, 1.0, 200)[100:].any()
    assert not resampled(sound, 0.0, 0.5, 600)[300:].any()
    assert resampled(sound, 0.0, 0.7, 0).shape == (0, 2)
