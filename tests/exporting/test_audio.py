import numpy as np
import pytest

from keymapper.exporting.audio import Preparation, faded_out, prepared, prepared_note
from tests.simple_notes import RATE, note


def cut(start=0, end=None, channel="all", rate=RATE):
    return Preparation(channel=channel, start_frame=start, end_frame=end, rate=rate)


def test_dc_is_gone_and_the_rest_unchanged():
    samples = note(200.0, lead_seconds=0.0)
    shifted = prepared(samples + 0.05, RATE, cut(end=len(samples)))
    assert abs(shifted.mean()) < 1e-9
    assert np.allclose(shifted, samples - samples.mean(), atol=1e-12)


def test_a_mean_that_comes_with_the_note_dies_away_without_a_step():
    samples = note(200.0, 1.0, lead_seconds=0.2)
    sounding = slice(round(0.2 * RATE), None)
    samples[sounding] += 0.1 * np.sin(np.linspace(0, np.pi, RATE))[:, np.newaxis] ** 0.1
    result = prepared(samples, RATE, cut(end=len(samples)))
    assert np.abs(result[: round(0.19 * RATE)]).max() < 1e-4
    assert abs(result[RATE // 2 : RATE].mean()) < 1e-3
    assert np.abs(np.diff(result, axis=0)).max() < 1.05 * np.abs(np.diff(samples, axis=0)).max()


def test_head_fades_in_over_the_pre_roll_only():
    samples = np.ones((RATE, 1)) * np.sign(np.sin(np.arange(RATE)))[:, np.newaxis]
    result = prepared(samples, RATE, cut(start=1000, end=RATE))
    assert abs(result[0, 0]) < 0.01
    assert np.allclose(np.abs(result[48:]), 1.0, atol=0.01)


def test_a_note_that_rises_out_of_hum_begins_at_silence():
    time = np.arange(RATE)[:, np.newaxis] / RATE
    swell = np.minimum(1.0, time / 0.1) * np.sin(2 * np.pi * 220 * time)
    hum = 0.03 * np.cos(2 * np.pi * 50 * time)
    result = prepared(swell + hum, RATE, cut(end=RATE))
    assert abs(result[0, 0]) < 1e-3
    assert np.allclose(result[48:], (swell + hum)[48:], atol=1e-3)
    assert prepared_note(swell + hum, RATE, cut(end=RATE)).fade_in_frames == 48


def test_a_note_that_begins_with_its_stroke_keeps_it():
    struck = np.cos(2 * np.pi * 220 * np.arange(RATE) / RATE)[:, np.newaxis]
    assert prepared(struck, RATE, cut(end=RATE))[0, 0] > 0.99
    assert prepared_note(struck, RATE, cut(end=RATE)).fade_in_frames == 0
    assert prepared_note(struck, RATE, cut(start=500, end=RATE)).fade_in_frames == 48


def test_one_side_is_kept_when_asked():
    samples = np.hstack([note(200.0), 0.5 * note(200.0)])
    right = prepared(samples, RATE, cut(end=len(samples), channel="right"))
    assert right.shape[1] == 1
    assert np.allclose(right[:, 0], samples[:, 1] - samples[:, 1].mean())


def test_resampling_keeps_pitch_and_length():
    samples = note(1000.0, 1.0, lead_seconds=0.0)
    result = prepared(samples, RATE, cut(end=len(samples), rate=44_100))
    assert len(result) == pytest.approx(44_100, abs=2)
    spectrum = np.abs(np.fft.rfft(result[:, 0] * np.hanning(len(result))))
    assert np.argmax(spectrum) * 44_100 / len(result) == pytest.approx(1000.0, abs=1.0)


def test_sources_are_not_written_to():
    samples = note(200.0)
    before = samples.copy()
    prepared(samples, RATE, cut(start=500, end=len(samples)))
    faded_out(samples, RATE)
    assert np.array_equal(samples, before)


def test_tail_ends_in_silence():
    assert abs(faded_out(np.ones((RATE, 2)), RATE)[-1]).max() < 1e-5
