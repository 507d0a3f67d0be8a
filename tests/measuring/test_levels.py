import numpy as np
import pytest

from keymapper.measuring.levels import (
    clipped_frames,
    loudest_windows,
    momentary_loudness_lufs,
    peak_dbfs,
    rms_dbfs,
)
from keymapper.model.sound import SILENCE_DBFS

RATE = 48_000


def sine(frequency_hz, seconds=2.0, peak=1.0, rate=RATE):
    time = np.arange(round(seconds * rate)) / rate
    return peak * np.sin(2 * np.pi * frequency_hz * time)[:, np.newaxis]


def test_full_scale_sine_has_peak_0_and_rms_minus_3():
    tone = sine(1000.0)
    assert peak_dbfs(tone) == pytest.approx(0.0, abs=0.01)
    assert rms_dbfs(tone) == pytest.approx(-3.01, abs=0.01)


def test_silence_has_the_stated_level():
    assert peak_dbfs(np.zeros((10, 2))) == SILENCE_DBFS
    assert rms_dbfs(np.zeros((0, 1))) == SILENCE_DBFS
    assert momentary_loudness_lufs(np.zeros((1, 100, 1)), RATE) == SILENCE_DBFS


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_997_hz_reads_as_the_standard_says(rate):
    windows = loudest_windows(sine(997.0, rate=rate), rate)
    assert momentary_loudness_lufs(windows, rate) == pytest.approx(-3.01, abs=0.1)


def test_both_channels_add_3_db():
    tone = np.repeat(sine(997.0), 2, axis=1)
    assert momentary_loudness_lufs(loudest_windows(tone, RATE), RATE) == pytest.approx(0.0, abs=0.1)


def test_loudness_of_a_short_note_does_not_depend_on_the_silence_after_it():
    short = sine(500.0, 0.1)
    padded = np.concatenate([short, np.zeros((RATE, 1))])
    alone = momentary_loudness_lufs(short[np.newaxis], RATE)
    assert alone == pytest.approx(momentary_loudness_lufs(sine(500.0)[np.newaxis], RATE), abs=0.2)
    assert momentary_loudness_lufs(loudest_windows(padded, RATE), RATE) < alone


def test_loudest_windows_start_with_the_loudest():
    quiet_then_loud = np.concatenate([sine(300.0, 1.0, 0.1), sine(300.0, 1.0, 0.8)])
    windows = loudest_windows(quiet_then_loud, RATE)
    assert rms_dbfs(windows[0]) == pytest.approx(20 * np.log10(0.8) - 3.01, abs=0.05)


def test_single_full_scale_frames_are_not_clipping_but_runs_are():
    tone = sine(100.0, 0.5, 0.9)
    tone[100] = 1.0
    assert clipped_frames(tone) == 0
    tone[200:205] = 1.0
    assert clipped_frames(tone) == 5


def test_a_float_recording_beyond_full_scale_is_clipped_only_where_its_tops_are_flat():
    loud = sine(60.0, 0.5, 3.0).astype(np.float32)
    assert clipped_frames(loud) == 0
    flattened = np.clip(loud, -2.5, 2.5)
    assert clipped_frames(flattened) == np.count_nonzero(np.abs(flattened) == 2.5)
