"""The steps of the pitch stage, one by one."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.measuring.pitch import measure_pitch
from keymapper.measuring.pitch.candidates import find_candidates
from keymapper.measuring.pitch.features import (
    FEATURES,
    candidate_features,
    candidate_scores,
    load_weights,
    probabilities,
)
from keymapper.measuring.pitch.fine import fine_pitch, track_at
from keymapper.measuring.pitch.glide import attack_track, find_glide
from keymapper.measuring.pitch.phase_line import phase_line
from keymapper.measuring.pitch.spectra import average_spectrum
from keymapper.measuring.pitch.sustain import Sustain, find_sustain, mono_mix
from tests.synth import make_tone
from tests.synth_parts import Tone


def sustain_of(tone: Tone) -> Sustain:
    found = find_sustain(mono_mix(tone.samples), tone.rate_hz)
    assert found is not None
    return found


def test_mono_mix_leaves_out_what_does_not_agree() -> None:
    tone = make_tone("saw", 220.0, seconds=0.5).samples[:, 0]
    noise = 0.01 * np.random.default_rng(1).standard_normal(len(tone))
    mixed = mono_mix(np.stack([tone, -tone, noise, 0.5 * tone], axis=1))
    correlation = np.corrcoef(mixed, tone)[0, 1]
    assert abs(correlation) > 0.999


@pytest.mark.parametrize("difference_db", [-0.3, 0.0, 0.3])
@pytest.mark.parametrize("f0_hz", [65.4, 130.8, 523.3])
def test_sides_tuned_apart_are_heard_together(f0_hz: float, difference_db: float) -> None:
    low, high = (make_tone("saw", f0_hz * 2 ** (c / 1200), seconds=2.5) for c in (-6.0, 6.0))
    sides = np.concatenate([low.samples, high.samples * 10 ** (difference_db / 20)], axis=1)
    for samples in (sides, sides * [1.0, -1.0]):
        pitch = measure_pitch(samples, round(low.rate_hz))
        assert pitch.f0_hz is not None
        assert 1200 * np.log2(pitch.f0_hz / f0_hz) == pytest.approx(0.0, abs=1.5)


def test_sustain_skips_the_attack_and_the_silence() -> None:
    rate_hz = 48000
    sound = np.zeros(2 * rate_hz, dtype=np.float32)
    times = np.arange(rate_hz) / rate_hz
    sound[rate_hz // 2 : rate_hz // 2 + rate_hz] = np.sin(2 * np.pi * 440 * times)
    found = find_sustain(sound, rate_hz)
    assert found is not None
    assert found.onset_frame == pytest.approx(rate_hz // 2, abs=480)
    assert found.start_frame == pytest.approx(0.08 * rate_hz, abs=480)
    assert found.end_frame == pytest.approx(rate_hz, abs=480)


def test_the_truth_is_among_few_candidates_and_has_the_best_odds() -> None:
    for kind in ("organ", "octave_up", "sync", "two_saws"):
        spectrum = average_spectrum(sustain_of(make_tone(kind, 146.8, seconds=1.0)))
        f0_hz = find_candidates(spectrum)
        assert len(f0_hz) < 60
        features = candidate_features(spectrum, f0_hz)
        assert features.shape == (len(f0_hz), len(FEATURES))
        odds = probabilities(candidate_scores(features, load_weights()))
        assert odds.sum() == pytest.approx(1.0)
        best = f0_hz[int(np.argmax(odds[:-1]))]
        assert abs(1200 * np.log2(best / 146.8)) < 40


def test_phases_of_a_noisy_steady_tone_lie_on_a_line_those_of_a_bent_one_do_not() -> None:
    rng = np.random.default_rng(3)
    for kind, straight in (("saw", True), ("analogue", False), ("two_saws", False)):
        tone = make_tone(kind, 220.0, seed=3)
        sustain = sustain_of(tone)
        noisy = sustain.mono + 0.003 * rng.standard_normal(len(sustain.mono)).astype(np.float32)
        sustain = Sustain(
            mono=noisy,
            rate_hz=sustain.rate_hz,
            onset_frame=0,
            start_frame=sustain.start_frame,
            end_frame=sustain.end_frame,
        )
        fine = fine_pitch(sustain, 220.0)
        assert fine is not None
        line = phase_line(fine, sustain.end_frame / sustain.rate_hz)
        assert (line is not None) == straight
        if line is not None:
            assert abs(1200 * np.log2(line.f0_hz / 220.0)) < 4 * line.error_cents


@pytest.mark.parametrize("f0_hz", [110.0, 440.0, 1760.0])
def test_glide_of_a_fifth(f0_hz: float) -> None:
    sustain = sustain_of(make_tone("glide", f0_hz, seconds=1.5))
    track = attack_track(sustain.mono, sustain.rate_hz, f0_hz)
    assert track is not None
    glide = find_glide(track, 0.0)
    assert glide is not None
    assert glide.cents == pytest.approx(700, abs=40)
    assert glide.settle_seconds == pytest.approx(0.08, abs=0.02)


@pytest.mark.parametrize("f0_hz", [55.0, 440.0, 1760.0])
def test_a_known_pitch_is_followed_without_looking_for_it(f0_hz: float) -> None:
    sustain = sustain_of(make_tone("saw", f0_hz, seconds=1.5))
    track = track_at(sustain, f0_hz * 2 ** (-3 / 1200))
    assert track is not None
    inner = track.cents[2:-2] + 1200 * np.log2(track.f0_hz / f0_hz)
    assert np.abs(inner).max() < 0.5


def test_a_pitch_that_is_not_there_is_not_followed() -> None:
    assert track_at(sustain_of(make_tone("saw", 440.0, seconds=1.0)), 440.0 * 2 ** (1 / 12)) is None
