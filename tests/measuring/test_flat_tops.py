import numpy as np
import pytest

from keymapper.measuring.flat_tops import flat_top_frames
from keymapper.measuring.note import measured_note
from tests.simple_notes import RATE, note


def stored(samples: np.ndarray, bits: int) -> np.ndarray:
    scale = 2 ** (bits - 1)
    return np.rint(samples * scale) / scale


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("clip", [0.3, 0.9])
def test_what_was_clipped_and_turned_down_is_told(bits: int, clip: float) -> None:
    samples = note(220.0, 1.0)
    samples *= 0.7 / np.abs(samples).max()
    cut = np.clip(samples, -0.7 * clip, 0.7 * clip)
    assert flat_top_frames(stored(samples, bits)) == 0
    assert flat_top_frames(stored(cut, bits)) > 50


def test_at_full_scale_it_is_clipped_and_nothing_else() -> None:
    cut = np.clip(9.0 * note(220.0, 1.0), -1.0, 1.0)
    levels = measured_note(cut, RATE).levels
    assert levels.clipped_frames > 0
    assert levels.flat_top_frames == 0


@pytest.mark.parametrize("hz", [30.0, 62.5, 441.0])
def test_smooth_peaks_and_waves_of_jumps_or_steps_are_not_cut(hz: float) -> None:
    time = np.arange(RATE)[:, np.newaxis] / RATE
    sine = np.sin(2 * np.pi * hz * time)
    ramp = 2 * np.abs(2 * ((hz * time) % 1) - 1) - 1
    for wave in (sine, np.sign(sine + 0.3), np.rint(7 * ramp) / 7, ramp):
        for bits in (8, 16, 24):
            assert flat_top_frames(stored(0.8 * wave, bits)) == 0


@pytest.mark.parametrize("frames", [0, 1, 5, 1000])
def test_silence_and_scraps_have_none(frames: int) -> None:
    assert flat_top_frames(np.zeros((frames, 2))) == 0
    assert flat_top_frames(np.full((frames, 1), 0.5)) == 0
