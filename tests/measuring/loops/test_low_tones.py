"""Low tones: their levels sway with single periods; what moves the tone is told over several."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.measuring.loops import find_loop
from keymapper.measuring.loops.features import averaged_powers, measure_band_powers
from keymapper.measuring.loops.period import NO_PERIOD
from keymapper.measuring.loops.sustain import measure_sustain
from tests.moving_notes import RATE, moving_note

SECONDS = 3.0
LOW_HZ = 30.0
BEAT_SECONDS = 0.29


def partials(hertz: float) -> np.ndarray:
    seconds = np.arange(round(SECONDS * RATE)) / RATE
    orders = np.arange(1, 40)[:, None]
    return np.asarray((np.sin(2 * np.pi * hertz * orders * seconds) / orders).sum(axis=0))


def period_seconds(
    wave: np.ndarray, f0_hz: float | None = LOW_HZ, first: int = 0, last: int | None = None
) -> float | None:
    samples = wave.reshape(len(wave), -1)
    bands = measure_band_powers(samples, RATE, first, last or len(samples))
    period = measure_sustain(bands, RATE, f0_hz).period
    return None if period == NO_PERIOD else period.hops * bands.hop_frames / RATE


def test_the_beat_of_low_tones_is_told() -> None:
    beating = partials(LOW_HZ) + partials(LOW_HZ + 1 / BEAT_SECONDS)
    beats = (period_seconds(beating) or 0) / BEAT_SECONDS
    assert beats == pytest.approx(max(1, round(beats)), abs=0.01)


@pytest.mark.parametrize("seed", [8, 12, 16])
def test_a_low_vibrato_is_told_only_over_several_periods(seed: int) -> None:
    note = moving_note("vibrato", seed)
    part = RATE // 2, note.note_off_frame
    turns, swaying = (
        (period_seconds(note.samples, hertz, *part) or 0) / note.periods_seconds[0]
        for hertz in (note.f0_hz, None)
    )
    assert turns == pytest.approx(max(1, round(turns)), abs=0.01)
    assert abs(swaying - round(swaying)) > 0.02


@pytest.mark.parametrize("scale", [0.0, 0.1])
def test_silence_and_noise_repeat_with_nothing(scale: float) -> None:
    noise = np.random.default_rng(1).normal(size=round(SECONDS * RATE))
    assert period_seconds(scale * noise) is None


def test_a_steady_low_tone_repeats_with_nothing_but_itself() -> None:
    assert period_seconds(partials(LOW_HZ)) is None


@pytest.mark.parametrize("frames", [2000, 3000, 4000, 9000])
def test_stretches_too_short_to_average_over_have_no_period(frames: int) -> None:
    bands = measure_band_powers(partials(LOW_HZ)[:frames, None], RATE, 0, frames)
    assert measure_sustain(bands, RATE, 12.0).period == NO_PERIOD


def test_what_comes_round_within_half_the_window_averages_out() -> None:
    seconds = np.arange(round(SECONDS * RATE)) / RATE
    tone = np.sin(2 * np.pi * 1000 * seconds)
    swaying = (1 + 0.2 * np.sin(2 * np.pi * 10 * seconds)) * tone
    moved_db = []
    for seconds_averaged in (0.02, 0.2):
        bands = measure_band_powers(swaying[:, None], RATE, 0, len(swaying))
        averaged = averaged_powers(bands, RATE, seconds_averaged)
        moved_db.append(np.ptp(10 * np.log10(averaged.powers.sum(axis=(0, 2)))))
    assert moved_db[0] > 2.5
    assert moved_db[1] < 0.05


def test_averaged_powers_stand_where_their_middle_was() -> None:
    burst = np.zeros((round(SECONDS * RATE), 1))
    burst[RATE : RATE + 441, 0] = 1.0
    bands = measure_band_powers(burst, RATE, 0, len(burst))
    averaged = averaged_powers(bands, RATE, 0.1)
    loudest = [int(one.powers.sum(axis=(0, 2)).argmax()) for one in (bands, averaged)]
    places = [
        one.first_frame + hop * one.hop_frames
        for one, hop in zip((bands, averaged), loudest, strict=True)
    ]
    assert places[1] == pytest.approx(places[0], abs=bands.hop_frames)


@pytest.mark.parametrize(
    ("kind", "seed"),
    [
        ("vibrato", 56),
        ("vibrato", 62),
        ("vibrato", 72),
        ("vibrato", 74),
        ("pulse_modulation", 24),
        ("vibrato", 2),
        ("gated", 52),
    ],
)
def test_loops_of_low_tones_are_whole_periods_of_what_moves_them(kind: str, seed: int) -> None:
    note = moving_note(kind, seed)
    verdict = find_loop(
        note.samples, note.rate, f0_hz=note.f0_hz, note_off_frame=note.note_off_frame
    )
    assert verdict.loop is not None
    turns = verdict.loop.length_frames / note.rate / note.periods_seconds[0]
    assert turns == pytest.approx(round(turns), abs=0.02)
