import numpy as np
import pytest

from keymapper.measuring.centring import centred
from tests.simple_notes import RATE, note

LEAD_SECONDS = 0.05


def uneven(offset: float, lead_seconds: float = LEAD_SECONDS) -> np.ndarray:
    """A note whose wave has a mean of its own, over the offset of a converter."""
    sound = note(110.0, 1.5, decay_seconds=0.8, lead_seconds=lead_seconds)
    sound[round(lead_seconds * RATE) :] += 0.1 * np.abs(sound[round(lead_seconds * RATE) :])
    return sound + offset


@pytest.mark.parametrize("lead_seconds", [0.03, 0.05, 0.3])
@pytest.mark.parametrize("offset", [0.0, -0.01])
def test_silence_before_an_uneven_wave_comes_to_lie_at_zero(lead_seconds, offset):
    head = centred(uneven(offset, lead_seconds), RATE)[: round(0.9 * lead_seconds * RATE)]
    assert abs(head.mean()) < 2e-6


def test_silence_after_an_uneven_wave_comes_to_lie_at_zero():
    backwards = uneven(0.02, 0.1)[::-1]
    assert abs(centred(backwards, RATE)[-round(0.05 * RATE) :].mean()) < 2e-6


def test_each_channel_has_an_offset_of_its_own():
    both = np.concatenate([uneven(0.01), uneven(-0.02)], axis=1)
    assert np.abs(centred(both, RATE)[: RATE // 25].mean(axis=0)).max() < 2e-6


def test_what_never_rests_lies_around_its_mean():
    time = np.arange(RATE) / RATE
    tone = (0.3 * np.sin(2 * np.pi * 220 * time) + 0.04)[:, np.newaxis]
    assert centred(tone, RATE).mean() == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("decay_rate", [2.0, 2.4, 4.0])
def test_a_low_tail_is_no_offset(decay_rate):
    """Not a whole number of periods fits into what is looked at."""
    time = np.arange(2 * RATE)[:, np.newaxis] / RATE
    tone = np.exp(-decay_rate * time) * np.sin(2 * np.pi * 41 * time)
    assert np.abs(centred(tone, RATE) - tone).max() < 3e-3


@pytest.mark.parametrize("frames", [1, 3, 700])
def test_tiny_sounds_are_centred(frames):
    assert np.isfinite(centred(np.full((frames, 2), 0.1), RATE)).all()


@pytest.mark.parametrize("offset", [0.0, 0.02])
def test_an_uneven_wave_without_rest_lies_at_zero_where_it_begins_and_ends(offset):
    time = np.arange(2 * RATE)[:, np.newaxis] / RATE
    pulse = np.where((time * 110.0) % 1 < 0.25, 0.75, -0.05)
    shape = np.minimum(1.0, time / 0.005) * np.minimum(1.0, (time[-1] - time) / 0.25)
    free = centred(0.3 * pulse * shape + offset, RATE)
    assert np.abs(free[[0, -1]]).max() < 1e-9


def test_ends_cut_amid_the_wave_are_no_rest():
    time = np.arange(RATE)[:, np.newaxis] / RATE
    tone = np.sin(2 * np.pi * 220 * time + 0.5)
    tone[-1] = tone[0]
    assert centred(tone, RATE)[0, 0] == pytest.approx(tone[0, 0], abs=1e-4)
