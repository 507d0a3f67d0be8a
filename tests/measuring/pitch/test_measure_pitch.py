"""Notes made from truths must come back: key, cents, course, and doubt."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keymapper.measuring.pitch import measure_pitch
from keymapper.model.pitch import DOUBT_TEXT, PERIOD, Pitch
from tests.measuring.pitch.instrument_tones import UNPITCHED, make_instrument_tone
from tests.played_notes import played_note
from tests.synth import make_tone

RATE_HZ = 48000.0


def cents_off(pitch: Pitch, f0_hz: float) -> float:
    assert pitch.f0_hz is not None
    return 1200 * math.log2(pitch.f0_hz / f0_hz)


@pytest.mark.parametrize("kind", ["saw", "square", "pulse", "triangle", "organ", "fm_reed", "sync"])
@pytest.mark.parametrize("f0_hz", [41.2, 155.6, 698.5, 1975.5])
def test_steady_oscillators_are_exact_to_a_hundredth_cent(kind: str, f0_hz: float) -> None:
    tone = make_tone(kind, f0_hz, seed=5)
    pitch = measure_pitch(tone.samples, tone.rate_hz)
    assert abs(cents_off(pitch, f0_hz)) < 0.01
    assert pitch.tuning_error_cents is not None
    assert pitch.tuning_error_cents < 0.1
    assert not pitch.doubtful


@pytest.mark.parametrize(
    ("kind", "limit_cents"),
    [("two_saws", 0.05), ("seven_saws", 1.0), ("pwm", 0.6), ("vibrato", 0.2), ("sweep", 0.7)],
)
def test_moving_sounds_come_back_within_their_error_bar(kind: str, limit_cents: float) -> None:
    for seed, f0_hz in enumerate((110.0, 246.9, 622.3)):
        tone = make_tone(kind, f0_hz, seed=seed)
        pitch = measure_pitch(tone.samples, tone.rate_hz)
        off = abs(cents_off(pitch, f0_hz))
        assert off < limit_cents
        assert off <= (pitch.tuning_error_cents or 0)


def test_key_and_tuning_are_told_against_the_reference() -> None:
    tone = make_tone("saw", 442.0, seconds=1.5)
    at_440 = measure_pitch(tone.samples, tone.rate_hz)
    at_442 = measure_pitch(tone.samples, tone.rate_hz, reference_hz=442.0)
    assert at_440.root_key == at_442.root_key == 69
    assert at_440.tuning_cents == pytest.approx(1200 * math.log2(442 / 440), abs=0.01)
    assert at_442.tuning_cents == pytest.approx(0.0, abs=0.01)
    assert at_442.reference_hz == 442.0


def test_drift_vibrato_and_glide_are_measured_and_absent_elsewhere() -> None:
    drifting = make_tone("analogue", 220.0, seed=3)
    pitch = measure_pitch(drifting.samples, drifting.rate_hz)
    assert pitch.drift_cents_per_second == pytest.approx(
        drifting.facts["drift_cents_per_second"], abs=0.05
    )
    shaken = make_tone("vibrato", 220.0, seed=1)
    pitch = measure_pitch(shaken.samples, shaken.rate_hz)
    assert pitch.vibrato_hz == pytest.approx(shaken.facts["vibrato_hz"], rel=0.002)
    assert pitch.vibrato_depth_cents == pytest.approx(shaken.facts["vibrato_depth_cents"], rel=0.1)
    sliding = make_tone("glide", 220.0)
    pitch = measure_pitch(sliding.samples, sliding.rate_hz)
    assert pitch.glide_cents == pytest.approx(700, abs=20)
    assert pitch.settle_seconds == pytest.approx(0.08, abs=0.015)
    steady = make_tone("saw", 220.0)
    pitch = measure_pitch(steady.samples, steady.rate_hz)
    assert pitch.drift_cents_per_second is None
    assert pitch.vibrato_hz is None
    assert pitch.glide_cents is None
    assert pitch.detuning_width_cents is None


@pytest.mark.parametrize(("f0_hz", "hold_seconds"), [(98.0, 0.35), (130.8, 0.35), (65.4, 0.8)])
def test_a_release_does_not_bend_the_pitch_of_a_short_note(
    f0_hz: float, hold_seconds: float
) -> None:
    times = np.arange(round((hold_seconds + 0.25) * RATE_HZ)) / RATE_HZ
    shape = np.minimum(1.0, times / 0.004) * np.exp(-np.maximum(times - hold_seconds, 0) / 0.04)
    sound = sum(np.sin(2 * np.pi * k * f0_hz * times) for k in range(1, 5)) * shape
    pitch = measure_pitch(0.1 * np.asarray(sound)[:, np.newaxis], RATE_HZ)
    assert pitch.f0_hz is not None
    assert 1200 * math.log2(pitch.f0_hz / f0_hz) == pytest.approx(0.0, abs=0.05)


def swung(
    f0_hz: float, onset_seconds: float, rise_seconds: float, depth_cents: float = 20.0
) -> np.ndarray:
    """Two saws 6 cents to both sides, under a vibrato that sets in late."""
    times = np.arange(round(3.5 * RATE_HZ)) / RATE_HZ
    depth = depth_cents * np.clip((times - onset_seconds) / rise_seconds, 0.0, 1.0)
    swing = depth * np.sin(2 * np.pi * 5.5 * times)
    phases = [np.cumsum(f0_hz * 2 ** ((cents + swing) / 1200)) / RATE_HZ for cents in (-6.0, 6.0)]
    sound = sum(np.sin(2 * np.pi * k * phase) / k for phase in phases for k in range(1, 9))
    return np.asarray(0.1 * sound)[:, np.newaxis]


@pytest.mark.parametrize("f0_hz", [98.0, 220.0, 523.3])
def test_a_late_vibrato_is_told_when_it_has_set_in(f0_hz: float) -> None:
    late = measure_pitch(swung(f0_hz, 0.8, 0.5), RATE_HZ).moving_from_seconds
    assert late == pytest.approx(1.25, abs=0.2)
    assert measure_pitch(swung(f0_hz, -1.0, 0.5), RATE_HZ).moving_from_seconds is None


@pytest.mark.parametrize("f0_hz", [110.0, 196.0, 440.0, 880.0])
def test_a_deep_vibrato_is_called_by_its_middle(f0_hz: float) -> None:
    """Not by a turning point, where it dwells."""
    pitch = measure_pitch(swung(f0_hz, -1.0, 0.5, depth_cents=100.0), RATE_HZ)
    assert pitch.f0_hz is not None
    assert 1200 * math.log2(pitch.f0_hz / f0_hz) == pytest.approx(0.0, abs=0.5)
    assert pitch.vibrato_depth_cents == pytest.approx(100.0, rel=0.05)


@pytest.mark.parametrize("kind", ["analogue", "seven_saws", "pwm", "chorus", "glide", "saw"])
def test_what_moves_alike_all_along_has_no_late_vibrato(kind: str) -> None:
    for seed in range(4):
        tone = make_tone(kind, 180.0, seed=seed)
        assert measure_pitch(tone.samples, tone.rate_hz).moving_from_seconds is None


@pytest.mark.parametrize("played", [("bowed", 4), ("bowed", 6), ("flute", 10), ("reed", 16)])
def test_a_players_vibrato_that_sways_does_not_come_late(played: tuple[str, int]) -> None:
    note = played_note(*played)
    assert measure_pitch(note.samples, note.rate).moving_from_seconds is None


def test_width_of_two_oscillators_is_their_distance() -> None:
    tone = make_tone("two_saws", 330.0)
    pitch = measure_pitch(tone.samples, tone.rate_hz)
    assert pitch.detuning_width_cents == pytest.approx(12.0, abs=0.5)


def test_stretched_partials_are_called_by_their_period() -> None:
    tone = make_instrument_tone("piano", 55.0, seconds=2.0, seed=4)
    pitch = measure_pitch(tone.samples, tone.rate_hz)
    assert pitch.definition == PERIOD
    assert abs(cents_off(pitch, 55.0)) < 12


def test_inverted_sides_do_not_cancel() -> None:
    mono = make_tone("saw", 196.0, seconds=1.5).samples
    pitch = measure_pitch(np.concatenate([mono, -mono], axis=1), RATE_HZ)
    assert abs(cents_off(pitch, 196.0)) < 0.01


@pytest.mark.parametrize("kind", sorted(UNPITCHED))
def test_noise_and_drums_are_flagged(kind: str) -> None:
    flagged = []
    for seed in range(12):
        tone = make_instrument_tone(kind, 150.0, seed=seed)
        flagged.append(measure_pitch(tone.samples, tone.rate_hz).doubtful)
    assert all(flagged)


@pytest.mark.parametrize("frames", [0, 3, 100, RATE_HZ])
def test_silence_has_no_pitch(frames: float) -> None:
    pitch = measure_pitch(np.zeros((int(frames), 2)), RATE_HZ)
    assert pitch.root_key is None
    assert pitch.f0_hz is None
    assert pitch.pitch_confidence == 0.0
    assert pitch.doubts == ("no-pitch",)


def test_fewer_than_four_periods_are_flagged() -> None:
    times = np.arange(int(0.09 * RATE_HZ)) / RATE_HZ
    pitch = measure_pitch(np.sin(2 * np.pi * 30 * times)[:, None], RATE_HZ)
    assert pitch.doubtful


@pytest.mark.parametrize("rate_hz", [8000.0, 22050.0, 44100.0, 96000.0, 192000.0])
def test_every_rate_gives_the_same_pitch(rate_hz: float) -> None:
    tone = make_tone("saw", 220.0, seconds=1.5, rate_hz=rate_hz)
    assert abs(cents_off(measure_pitch(tone.samples, rate_hz), 220.0)) < 0.01


def test_same_sound_gives_the_same_answer_and_is_left_alone() -> None:
    samples = make_tone("noise_pad", 130.8, seconds=1.5).samples
    before = samples.copy()
    assert measure_pitch(samples, RATE_HZ) == measure_pitch(samples, RATE_HZ)
    assert np.array_equal(samples, before)


@settings(max_examples=60, deadline=None)
@given(
    frames=st.integers(0, 6000),
    channels=st.integers(1, 3),
    rate_hz=st.sampled_from([8000.0, 11025.0, 44100.0, 96000.0]),
    colour=st.sampled_from(["noise", "sine", "steps", "clipped", "offset"]),
    seed=st.integers(0, 1000),
)
def test_odd_audio_never_raises(
    frames: int, channels: int, rate_hz: float, colour: str, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    times = np.arange(frames)[:, None] / rate_hz
    sine = np.sin(2 * np.pi * float(rng.uniform(20, 3900)) * times)
    sounds = {
        "noise": rng.standard_normal((frames, channels)),
        "sine": sine * np.ones(channels),
        "steps": np.floor(times * 50) % 2 * np.ones(channels),
        "clipped": np.clip(9 * sine, -1, 1) * np.ones(channels),
        "offset": np.full((frames, channels), 0.5),
    }
    pitch = measure_pitch(sounds[colour], rate_hz)
    numbers = [v for v in msgspec.to_builtins(pitch).values() if isinstance(v, float)]
    assert all(math.isfinite(number) for number in numbers)
    assert set(pitch.doubts) <= set(DOUBT_TEXT)
    assert pitch.doubtful == bool(pitch.doubts)
