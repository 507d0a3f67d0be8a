"""Where a note sustains, and what must not loop."""

import numpy as np
import pytest

from keymapper.measuring.loops.region import find_region
from tests.moving_notes import moving_note

RATE = 48_000
SECONDS = np.arange(3 * RATE) / RATE


def saw(f0_hz):
    return sum(np.sin(2 * np.pi * k * f0_hz * SECONDS) / k for k in range(1, 20))[:, None]


def refusal(samples):
    return find_region(samples.astype(np.float32), RATE, None).refusal


@pytest.mark.parametrize("wave", [saw(60.0), np.sin(2 * np.pi * 60 * SECONDS)[:, None]])
@pytest.mark.parametrize("noise_rms", [0.0, 1e-4])
def test_what_falls_by_3_db_a_second_must_not_loop(wave, noise_rms):
    noise = np.random.default_rng(1).normal(0, noise_rms, wave.shape)
    falling = 0.2 * wave * 10 ** (-3 * SECONDS[:, None] / 20)
    assert refusal(falling + noise) == "it decays by 7 dB, 3 dB a second"


def test_a_gentle_fall_may_loop():
    assert refusal(0.2 * saw(60.0) * 10 ** (-1 * SECONDS[:, None] / 20)) is None


@pytest.mark.parametrize("seed", [10, 122, 136])
def test_a_slow_beat_of_the_lowest_partials_is_no_decay(seed):
    note = moving_note("slow_decay", seed)
    assert find_region(note.samples, note.rate, note.note_off_frame).refusal is None


def test_silence_must_not_loop():
    assert refusal(np.zeros((RATE, 1))) == "it is silent"


def test_a_note_ends_where_a_long_silence_begins() -> None:
    note = moving_note("steady_saw", 2)
    held = note.samples[: note.note_off_frame]
    rest = np.zeros((note.rate, held.shape[1]))
    region = find_region(np.concatenate([held, rest, held]), note.rate, None)
    assert region.end_frame == pytest.approx(len(held), abs=0.02 * note.rate)


def ringing(attack_seconds, held_seconds, release_db_a_second, fall_db_a_second=0.0):
    gain = np.minimum(1, SECONDS / attack_seconds)
    gain *= 10 ** (-fall_db_a_second * SECONDS / 20)
    gain *= 10 ** (-release_db_a_second * np.maximum(0, SECONDS - held_seconds) / 20)
    return (0.2 * saw(220.0)[:, 0] * gain)[:, None].astype(np.float32)


@pytest.mark.parametrize("release_db_a_second", [100, 200, 600])
def test_a_sustain_ends_where_its_last_fall_begins(release_db_a_second: float) -> None:
    region = find_region(ringing(0.1, 1.2, release_db_a_second), RATE, None)
    assert region.end_frame == pytest.approx(1.2 * RATE, abs=0.021 * RATE)


@pytest.mark.parametrize("release_db_a_second", [8, 15, 30, 60])
def test_what_stands_still_while_a_key_is_held_sustains(release_db_a_second: float) -> None:
    region = find_region(ringing(0.1, 1.1, release_db_a_second), RATE, round(1.1 * RATE))
    assert region.refusal is None
    assert region.end_frame == pytest.approx(1.09 * RATE, abs=0.02 * RATE)


@pytest.mark.parametrize("held_seconds", [0.3, 1.0, 2.0])
def test_a_bell_sustains_no_more_for_being_held(held_seconds: float) -> None:
    bell = ringing(0.001, held_seconds, 0, fall_db_a_second=15)
    assert find_region(bell, RATE, round(held_seconds * RATE)).refusal is not None


def test_a_key_let_go_before_its_time_says_nothing() -> None:
    note = ringing(0.1, 1.0, 200)
    assert find_region(note, RATE, 2 * RATE) == find_region(note, RATE, None)


@pytest.mark.parametrize("beat_hz", [0.4, 0.7, 1.3])
def test_a_bell_that_beats_while_it_dies_away_must_not_loop(beat_hz: float) -> None:
    pairs = [(220.0, 1.0), (607.0, 0.6), (1189.0, 0.4), (1960.0, 0.2)]
    ringing = sum(
        gain * (np.sin(2 * np.pi * hz * SECONDS) + np.sin(2 * np.pi * (hz + beat_hz) * SECONDS))
        for hz, gain in pairs
    )
    dying = 10 ** (-7.0 * SECONDS / 20)
    assert "decays" in str(refusal((0.2 * ringing * dying)[:, None]))
    assert refusal(0.2 * ringing[:, None]) is None
