"""Low tones: the waveform of the whole sustain tells which lengths it repeats with."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.measuring.loops import find_loop
from keymapper.measuring.loops.candidates import Bounds
from keymapper.measuring.loops.repeating import off_repeating, waveform_repeats
from keymapper.measuring.loops.waveform import CoarseWave, coarse_wave
from tests.moving_notes import RATE, moving_note

SECONDS = 3.0
PERIOD_SECONDS = 0.4  # of a beat of two tones of 30 and 32.5 Hz: twelve and thirteen periods


def coarse_of(wave: np.ndarray) -> CoarseWave:
    return coarse_wave(wave[:, None], RATE, 0, len(wave), round(0.1 * RATE))


def bounds_of(frames: int) -> Bounds:
    return Bounds(
        first_frame=0,
        first_start=0,
        last_end=frames,
        shortest_frames=round(0.1 * RATE),
        longest_frames=frames,
        wanted_frames=round(0.8 * RATE),
    )


@pytest.fixture
def beating() -> np.ndarray:
    seconds = np.arange(round(SECONDS * RATE)) / RATE
    orders = np.arange(1, 40)[:, None]
    tones = [np.sin(2 * np.pi * hertz * orders * seconds) / orders for hertz in (30.0, 32.5)]
    return np.asarray(sum(tone.sum(axis=0) for tone in tones))


def test_a_low_beat_repeats_with_whole_beats(beating: np.ndarray) -> None:
    coarse = coarse_of(beating)
    repeats = waveform_repeats(coarse)
    assert repeats[0] == pytest.approx(1)
    for turns in (1, 2, 4):
        lag = round(turns * PERIOD_SECONDS * coarse.rate_hz)
        assert repeats[lag] > 0.98
        tone = round(coarse.rate_hz / 30)
        assert repeats[lag + tone] < 0.9


def test_lengths_off_the_beat_are_told(beating: np.ndarray) -> None:
    coarse = coarse_of(beating)
    lengths = np.array([2, 2 + 1 / 12, 2.5]) * PERIOD_SECONDS * RATE
    off = off_repeating(waveform_repeats(coarse), lengths, coarse, bounds_of(len(beating)))
    assert off[0] == pytest.approx(0, abs=0.01)
    assert (off[1:] > 0.08).all()


@pytest.mark.parametrize("scale", [0.0, 0.1])
def test_silence_and_noise_repeat_with_nothing(scale: float) -> None:
    noise = scale * np.random.default_rng(1).normal(size=round(SECONDS * RATE))
    coarse = coarse_of(noise)
    repeats = waveform_repeats(coarse)
    assert np.isfinite(repeats).all()
    off = off_repeating(repeats, np.array([20000.0, 44100.0]), coarse, bounds_of(len(noise)))
    assert off.tolist() == [0, 0]


@pytest.mark.parametrize(
    ("kind", "seed"),
    [("vibrato", 56), ("vibrato", 62), ("vibrato", 72), ("vibrato", 74), ("pulse_modulation", 24)],
)
def test_loops_of_low_tones_are_whole_periods_of_what_moves_them(kind: str, seed: int) -> None:
    note = moving_note(kind, seed)
    verdict = find_loop(
        note.samples, note.rate, f0_hz=note.f0_hz, note_off_frame=note.note_off_frame
    )
    assert verdict.loop is not None
    turns = verdict.loop.length_frames / note.rate / note.periods_seconds[0]
    assert turns == pytest.approx(round(turns), abs=0.02)
