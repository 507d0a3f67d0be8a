import numpy as np
import pytest

from keymapper.measuring.cycle import cycle_hz, is_cycle
from keymapper.model.loop import Loop

RATE = 48_000


def wave(frames: int, cycles: int) -> np.ndarray:
    turns = 2 * np.pi * cycles * np.arange(frames)[:, np.newaxis] / frames
    return np.asarray(0.4 * np.sin(turns) + 0.2 * np.sin(2 * turns) + 0.1 * np.sin(5 * turns))


@pytest.mark.parametrize(("frames", "cycles"), [(92, 1), (733, 1), (733, 3), (2048, 4)])
def test_a_wave_sounds_at_what_its_length_says(frames: int, cycles: int) -> None:
    coarse = np.rint(wave(frames, cycles) * 127) / 127
    for samples in (wave(frames, cycles), coarse, np.repeat(coarse, 2, axis=1)):
        assert cycle_hz(samples, RATE) == pytest.approx(cycles * RATE / frames)


def test_noise_and_silence_sound_at_nothing() -> None:
    noise = np.random.default_rng(0).normal(0, 0.1, (2048, 1))
    assert cycle_hz(noise, RATE) is None
    assert cycle_hz(np.full((92, 1), 0.3), RATE) is None


def test_a_cycle_is_all_of_a_short_file() -> None:
    assert is_cycle(Loop(start_frame=0, end_frame=92), 92, RATE)
    assert not is_cycle(Loop(start_frame=10, end_frame=92), 92, RATE)
    assert not is_cycle(Loop(start_frame=0, end_frame=RATE), RATE, RATE)
