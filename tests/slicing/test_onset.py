"""The frame at which a note becomes audible."""

import numpy as np
import pytest

from keymapper.slicing.background import hum_base_hz, hum_of, innovation
from keymapper.slicing.onset import Moment, audible_onset

RATE = 48_000
AT = 12_000


def moment(samples, peak, expected=AT + 300, hum=None):
    stereo = np.stack([samples, 0.5 * samples], axis=1)
    return Moment(
        samples=stereo,
        rate_hz=RATE,
        expected_frame=expected,
        end_frame=len(samples),
        peak=peak,
        hum_hz=hum,
    )


def tone(frames=4800, hz=330.0, attack_frames=48):
    n = np.arange(frames)
    return np.sin(2 * np.pi * hz * n / RATE + 0.5) * np.clip(n / attack_frames, 0, 1)


def noise(rms, seed=1, frames=AT + 4800):
    return np.random.default_rng(seed).normal(0, rms, frames)


def test_a_clear_onset_is_exact_to_the_frame():
    samples = noise(1e-5)
    note = 0.5 * tone()
    samples[AT:] += note
    found = audible_onset(moment(samples, 0.5))
    assert found is not None
    assert found.case == "clear"
    assert abs(found.frame - AT - int(np.argmax(np.abs(note) >= 0.005))) <= 1


@pytest.mark.parametrize("seed", range(8))
def test_a_note_10_db_above_the_noise_is_found_within_3_ms_and_not_late(seed):
    samples = noise(0.01, seed)
    samples[AT:] += 0.045 * tone()
    found = audible_onset(moment(samples, 0.045))
    assert found is not None
    assert found.case == "noise"
    assert -144 <= found.frame - AT <= 48


def test_a_note_under_a_ringing_tail_is_found_by_what_the_tail_cannot_explain():
    n = np.arange(AT + 4800)
    tail = sum(np.sin(2 * np.pi * hz * n / RATE) for hz in (220, 441, 663, 1109))
    samples = 0.1 * tail * 10 ** (-3 * n / RATE / 4) + noise(1e-5)
    samples[AT:] += 0.3 * tone(hz=494)
    found = audible_onset(moment(samples, 0.5))
    assert found is not None
    assert found.case == "tail"
    assert abs(found.frame - AT) <= 12


def test_hum_is_taken_away_first():
    seconds = np.arange(AT + 4800) / RATE
    hum = 0.02 * np.sin(2 * np.pi * 50 * seconds + 1) + 0.01 * np.sin(2 * np.pi * 150 * seconds)
    samples = hum + noise(1e-4)
    samples[AT:] += 0.1 * tone()
    base = hum_base_hz(samples[:AT, None], RATE)
    assert base == 50.0
    found = audible_onset(moment(samples, 0.1, hum=base))
    assert found is not None
    assert abs(found.frame - AT) <= 24


def test_nothing_begins_in_noise_and_in_silence():
    assert audible_onset(moment(noise(0.01), 0.03)) is None
    assert audible_onset(moment(np.zeros(AT + 4800), 0.5)) is None
    assert hum_base_hz(noise(0.01)[:, None], RATE) is None


def test_rumble_is_no_hum_but_hum_under_noise_is():
    rng = np.random.default_rng(8)
    rumbling = 0
    for _ in range(40):
        rumble = np.cumsum(rng.normal(0, 1e-3, RATE))[-RATE // 10 :]
        rumbling += hum_base_hz(rumble[:, None], RATE) is not None
    assert rumbling <= 3
    seconds = np.arange(RATE // 10) / RATE
    for base in (50.0, 60.0):
        hum = sum(np.sin(2 * np.pi * base * n * seconds + n) / n for n in (1, 2, 3, 5))
        quiet = 0.6 * hum + rng.normal(0, 1, len(seconds))  # a fifth of the power
        assert hum_base_hz(quiet[:, None], RATE) == base


@pytest.mark.parametrize("seed", range(4))
def test_the_quietest_stretch_may_hold_less_of_the_hum(seed):
    seconds = np.arange(RATE // 10) / RATE
    hum = sum(np.sin(2 * np.pi * 50 * n * seconds + n) / n for n in (1, 2, 3, 5))
    quiet = 0.44 * hum + np.random.default_rng(seed).normal(0, 1, len(seconds))  # an eighth
    assert hum_base_hz(quiet[:, None], RATE) == 50.0


def test_hum_is_carried_on():
    seconds = np.arange(9600) / RATE
    hum = np.sin(2 * np.pi * 60 * seconds)[:, None] + 0.3
    assert np.abs(hum_of(hum, 4800, RATE, 60.0) - hum).max() < 1e-3


def test_innovation_of_a_steady_tone_is_small_and_of_a_new_one_is_not():
    n = np.arange(8000)
    steady = np.sin(0.05 * n) + np.sin(0.111 * n)
    rest = innovation(steady, 6000)
    assert np.abs(rest[3000:]).max() < 0.01
    steady[7000:] += 0.2 * np.sin(1.1 * n[:1000] + 1)
    assert np.argmax(np.abs(innovation(steady, 6000)[3000:]) > 0.02) == pytest.approx(4000, abs=2)
