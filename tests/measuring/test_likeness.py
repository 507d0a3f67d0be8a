"""A repeat is known for the same sound whenever it starts, and another sound is not."""

import numpy as np
import pytest

from keymapper.measuring.likeness import excerpt, likeness
from keymapper.model.likeness import Likeness
from keymapper.model.sound import Course
from tests.synth import make_tone

RATE = 48_000


def course(samples: np.ndarray, onset: int = 0) -> Course:
    return Course(
        onset_frame=onset,
        attack_end_frame=onset,
        note_off_frame=len(samples),
        end_frame=len(samples),
        sustains=True,
    )


def delayed(samples: np.ndarray, frames: float) -> np.ndarray:
    """Samples later by a whole or broken number of frames, after and before silence."""
    padded = np.concatenate([np.zeros((4800, samples.shape[1])), samples, np.zeros((4800, 1))])
    spectrum = np.fft.rfft(padded, axis=0)
    turn = np.exp(-2j * np.pi * np.arange(len(spectrum)) * frames / len(padded))
    return np.fft.irfft(spectrum * turn[:, None], len(padded), axis=0)


def compared(one: np.ndarray, other: np.ndarray, onsets: tuple[int, int] = (0, 0)) -> Likeness:
    a = excerpt(one, RATE, course(one, onsets[0]))
    b = excerpt(other, RATE, course(other, onsets[1]))
    return likeness(a, b, RATE)


@pytest.mark.parametrize("kind", ["saw", "pluck", "fm_bell", "noise_pad"])
@pytest.mark.parametrize("frames", [0.0, 137.0, -250.37, 0.5, 400.81])
def test_the_same_sound_later_is_alike(kind: str, frames: float) -> None:
    sound = make_tone(kind, 220.0, seconds=1.0, seed=5).samples
    got = compared(delayed(sound, 0.0), delayed(0.97 * sound, frames), (4800, 4800))
    assert got.correlation > 0.995
    assert got.level_difference_db == pytest.approx(0.26, abs=0.1)
    assert got.alike


def test_onsets_may_be_misjudged_by_ten_milliseconds() -> None:
    sound = make_tone("pluck", 110.0, seconds=1.0, seed=5).samples
    at = delayed(sound, 0.0)
    assert compared(at, at, (4800 - 400, 4800 + 50)).alike


def test_noise_of_a_converter_changes_nothing() -> None:
    sound = make_tone("saw", 220.0, seconds=1.0, seed=5).samples
    noisy = sound + 3e-4 * np.random.default_rng(1).standard_normal(sound.shape)
    assert compared(sound, noisy).alike


@pytest.mark.parametrize("kind", ["saw", "sine", "organ"])
@pytest.mark.parametrize("frames", [-250.37, 81.5, 211.26])
def test_a_high_note_that_holds_is_lined_up_by_its_beginning(kind: str, frames: float) -> None:
    """Its next period fits about as well, and more of it overlaps."""
    sound = make_tone(kind, 880.0, seconds=1.0, seed=3).samples
    got = compared(delayed(sound, 0.0), delayed(sound, frames), (4800, 4800))
    assert got.alike
    assert got.least_correlation > 0.95


def struck(cents: float, seed: int, noise: float) -> np.ndarray:
    """A tine: a partial that rings, one that dies at once, and the noise of the stroke."""
    time = np.arange(RATE)[:, None] / RATE
    f0_hz = 261.63 * 2 ** (cents / 1200)
    ringing = np.sin(2 * np.pi * f0_hz * time) * np.exp(-time / 0.7)
    dying = 0.25 * np.sin(2 * np.pi * 5.4 * f0_hz * time) * np.exp(-time / 0.06)
    stroke = np.random.default_rng(seed).standard_normal(time.shape) * np.exp(-time / 0.004)
    return 0.4 * (ringing + dying + noise * stroke) * np.minimum(1.0, time / 0.001)


@pytest.mark.parametrize("cents", [0.0, 0.2])
def test_another_stroke_is_heard_under_a_partial_that_outweighs_it(cents: float) -> None:
    got = compared(struck(0.0, 1, 0.3), struck(cents, 2, 0.3))
    assert got.correlation > 0.99
    assert not got.alike
    assert compared(struck(0.0, 1, 0.001), struck(cents, 2, 0.001)).alike


def test_free_oscillators_are_not_alike() -> None:
    one = make_tone("two_saws", 220.0, seconds=1.0, seed=5).samples
    other = make_tone("two_saws", 220.0, seconds=1.0, seed=6).samples
    assert not compared(one, other).alike
    assert not compared(one, make_tone("square", 220.0, seconds=1.0, seed=5).samples).alike


def test_a_louder_repeat_is_not_alike() -> None:
    sound = make_tone("saw", 220.0, seconds=1.0, seed=5).samples
    got = compared(sound, 0.9 * sound)
    assert got.level_difference_db == pytest.approx(0.92, abs=0.05)
    assert got.correlation > 0.999
    assert not got.alike


def test_upside_down_is_not_alike() -> None:
    sound = make_tone("saw", 220.0, seconds=1.0, seed=5).samples
    assert not compared(sound, -sound).alike


def test_sides_are_compared_each_with_its_own() -> None:
    one = make_tone("chorus", 220.0, seconds=1.0, seed=5).samples
    assert compared(one, one).alike
    assert not compared(one, one[:, ::-1]).alike
    assert not compared(one, one[:, :1]).alike


def test_silence_and_shreds_are_like_nothing() -> None:
    silent = np.zeros((RATE, 1))
    sound = make_tone("saw", 220.0, seconds=1.0, seed=5).samples
    assert compared(silent, sound).correlation == 0.0
    assert compared(silent, silent).correlation == 0.0
    assert not compared(sound[:1], sound).alike
