import numpy as np
import pytest

from keymapper.measuring.course import course, level_envelope, onset_frame
from keymapper.measuring.note import measured_note
from tests.simple_notes import RATE, note


@pytest.mark.parametrize("lead_seconds", [0.0, 0.013, 0.4])
def test_onset_is_found_to_a_millisecond(lead_seconds):
    samples = note(220.0, lead_seconds=lead_seconds)
    found = onset_frame(samples, level_envelope(samples, RATE))
    assert abs(found - lead_seconds * RATE) <= 0.001 * RATE


def test_onset_of_a_slow_pad_is_where_it_leaves_the_noise():
    time = np.arange(3 * RATE) / RATE
    rng = np.random.default_rng(2)
    pad = 0.5 * np.clip((time - 0.3) / 2.0, 0, 1) * np.sin(2 * np.pi * 200 * time)
    samples = (pad + rng.normal(0, 1e-4, len(pad)))[:, np.newaxis]
    found = onset_frame(samples, level_envelope(samples, RATE)) / RATE
    assert 0.295 <= found <= 0.325


def test_course_of_a_sustaining_note():
    samples = note(220.0, 2.0, lead_seconds=0.1)
    times = measured_note(samples, RATE).course
    assert times.sustains
    assert times.onset_frame <= times.attack_end_frame <= times.note_off_frame <= times.end_frame
    assert times.note_off_frame / RATE == pytest.approx(2.04, abs=0.08)
    assert times.end_frame / RATE == pytest.approx(2.1, abs=0.03)


def test_course_of_a_decaying_note():
    samples = note(220.0, 3.0, decay_seconds=0.25)
    times = measured_note(samples, RATE).course
    assert not times.sustains
    assert times.note_off_frame == times.end_frame
    assert (times.attack_end_frame - times.onset_frame) / RATE < 0.06


def test_noise_floor_is_measured_before_the_note():
    rng = np.random.default_rng(3)
    samples = note(220.0, lead_seconds=0.2) + rng.normal(0, 1e-3, (round(1.7 * RATE), 1))
    floor = level_envelope(samples, RATE).noise_floor_dbfs
    assert floor == pytest.approx(-60.0, abs=1.0)


@pytest.mark.parametrize("lead_seconds", [0.012, 0.03, 0.048])
def test_noise_before_a_closely_cut_note_that_rings_on_is_no_onset(lead_seconds):
    noise = np.random.default_rng(4).normal(0, 2e-5, (round((2.0 + lead_seconds) * RATE), 1))
    ringing = note(262.0, 2.5, decay_seconds=1.5, peak=0.02, lead_seconds=lead_seconds)
    samples = ringing[: len(noise)] + noise
    found = onset_frame(samples, level_envelope(samples, RATE))
    assert found / RATE == pytest.approx(lead_seconds, abs=0.001)


def test_a_swell_from_the_first_frame_on_has_no_noise_before_it():
    time = np.arange(RATE) / RATE
    samples = (0.5 * time * np.sin(2 * np.pi * 220 * time))[:, np.newaxis]
    assert onset_frame(samples, level_envelope(samples, RATE)) / RATE < 0.01


def test_a_note_that_fills_its_file_has_no_noise_floor():
    time = np.arange(RATE) / RATE
    samples = 0.5 * np.sin(2 * np.pi * 220 * time)[:, np.newaxis]
    envelope = level_envelope(samples, RATE)
    assert envelope.noise_floor_dbfs is None
    assert course(samples, envelope, None, sustains=False).end_frame == RATE


@pytest.mark.parametrize("frames", [1, 3, 64, 1000])
def test_tiny_files_are_measured_without_complaint(frames):
    samples = np.full((frames, 2), 0.1, dtype=np.float32)
    samples[::2] = -0.1
    measured = measured_note(samples, RATE)
    assert 0 <= measured.course.onset_frame < measured.course.end_frame <= frames
