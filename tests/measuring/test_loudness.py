"""Loudness of whole sounds against the signals of EBU Tech 3341 and 3342."""

import numpy as np
import pytest

from keymapper.measuring.loudness import integrated_lufs, measured_loudness, true_peak_dbtp

RATE = 48_000


def tone(level_dbfs, seconds, hz=1000.0, rate=RATE):
    time = np.arange(round(seconds * rate)) / rate
    wave = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * time)
    return np.stack([wave, wave], axis=1)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_a_stereo_tone_reads_its_level(level, rate):
    """Tech 3341, cases 1 and 2."""
    found = measured_loudness(tone(level, 20, rate=rate), rate)
    assert found.integrated_lufs == pytest.approx(level, abs=0.1)
    assert found.momentary_lufs == pytest.approx(level, abs=0.1)
    assert found.short_term_lufs == pytest.approx(level, abs=0.1)


def test_soft_parts_are_gated():
    """Tech 3341, case 3: -36, -23 and -36 dBFS for 10, 60 and 10 s."""
    sound = np.concatenate([tone(-36, 10), tone(-23, 60), tone(-36, 10)])
    assert integrated_lufs(sound, RATE) == pytest.approx(-23.0, abs=0.1)


def test_very_soft_parts_are_gated():
    """Tech 3341, case 4."""
    parts = [tone(level, seconds) for level, seconds in ((-72, 10), (-36, 10), (-23, 60))]
    sound = np.concatenate([*parts, *parts[1::-1]])
    assert integrated_lufs(sound, RATE) == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize(("low", "high", "lu"), [(-30, -20, 10), (-20, -15, 5), (-40, -20, 20)])
def test_loudness_range(low, high, lu):
    """Tech 3342, cases 1 to 3."""
    found = measured_loudness(np.concatenate([tone(low, 20), tone(high, 20)]), RATE)
    assert found.range_lu == pytest.approx(lu, abs=1.0)


def test_mono_is_one_channel():
    mono = tone(-23, 5)[:, :1]
    assert integrated_lufs(mono, RATE) == pytest.approx(-26.0, abs=0.1)


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.5])
def test_true_peak_lies_between_samples(phase):
    """Tech 3341, cases 15 to 17: a quarter of the rate, whatever the phase."""
    time = np.arange(RATE) / RATE
    wave = 0.5 * np.sin(2 * np.pi * (RATE / 4) * time + np.pi * phase)
    wave *= np.minimum(1, np.minimum(time, time[::-1]) / 0.05)
    assert true_peak_dbtp(wave[:, np.newaxis]) == pytest.approx(-6.0, abs=0.4)


def test_what_cannot_be_measured_is_none():
    silence = np.zeros((RATE, 1))
    assert integrated_lufs(silence, RATE) is None
    short = measured_loudness(tone(-10, 0.3), RATE)
    assert (short.integrated_lufs, short.momentary_lufs, short.short_term_lufs) == (None,) * 3
    assert short.true_peak_dbtp == pytest.approx(-10, abs=0.2)
    assert true_peak_dbtp(np.zeros((0, 2))) == -200.0
