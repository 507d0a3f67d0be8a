"""Planted defects: the measure must be able to fail, and must not fail what is clean."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.errors import MeasurementError
from keymapper.measuring.join import join_audibility
from keymapper.model.loop import JoinAudibility, Loop

RATE = 48000
PERIOD = 240
F0_HZ = RATE / PERIOD
LOOP = Loop(start_frame=RATE, end_frame=RATE + 200 * PERIOD)
SECONDS = np.arange(3 * RATE) / RATE
INSIDE = np.clip((np.arange(3 * RATE) - LOOP.start_frame) / LOOP.length_frames, 0, 1)


def sawtooth(f0_hz: float = F0_HZ, drift_cents: np.ndarray | float = 0.0) -> np.ndarray:
    hertz = f0_hz * 2.0 ** (np.broadcast_to(drift_cents, SECONDS.shape) / 1200)
    turns = 2 * np.pi * np.cumsum(hertz) / RATE + 1.0
    wave = sum(np.sin(k * turns) / k for k in range(1, int(16000 / f0_hz)))
    return np.asarray(0.2 * wave * np.minimum(1, SECONDS / 0.01))


def judged(
    reference: np.ndarray, played: np.ndarray | None = None, loop: Loop = LOOP
) -> JoinAudibility:
    shipped = reference if played is None else played
    two = [x[:, None] if x.ndim == 1 else x for x in (reference, shipped)]
    return join_audibility(two[0], two[1], RATE, loop)


CLEAN = sawtooth()


def test_a_whole_number_of_periods_of_a_steady_note_is_inaudible() -> None:
    assert judged(CLEAN).worst_db == -20.0


@pytest.mark.parametrize("periods", [1, 4, 8])
@pytest.mark.parametrize("start", [14 * PERIOD, 30 * PERIOD])
def test_the_attack_before_an_early_short_loop_is_no_fault_of_it(start: int, periods: int) -> None:
    loop = Loop(start_frame=start, end_frame=start + periods * PERIOD)
    assert judged(CLEAN, loop=loop).worst_db <= -19


def test_early_short_loops_can_still_fail() -> None:
    late = Loop(start_frame=14 * PERIOD, end_frame=18 * PERIOD + PERIOD // 2)
    assert judged(CLEAN, loop=late).worst_db > 0
    louder = CLEAN * np.where(SECONDS < 17 * PERIOD / RATE, 1.0, 1.4)
    assert judged(CLEAN, louder, Loop(start_frame=14 * PERIOD, end_frame=18 * PERIOD)).worst_db > 0


@pytest.mark.parametrize(("click_dbfs", "heard"), [(-80, False), (-20, True), (-12, True)])
def test_one_frame_click(click_dbfs: float, heard: bool) -> None:
    played = CLEAN.copy()
    played[LOOP.end_frame - 120] += 10 ** (click_dbfs / 20)
    assert (judged(CLEAN, played).click_db > 0) == heard


@pytest.mark.parametrize(("step_db", "heard"), [(0.3, False), (3.0, True), (-3.0, True)])
def test_level_step(step_db: float, heard: bool) -> None:
    result = judged(CLEAN, CLEAN * 10 ** (step_db * INSIDE / 20))
    assert (result.level_db > 0) == heard
    assert (result.step_db > 0) == heard


@pytest.mark.parametrize(("cents", "heard"), [(1.0, False), (12.0, True), (-12.0, True)])
def test_pitch_step(cents: float, heard: bool) -> None:
    assert (judged(CLEAN, sawtooth(drift_cents=cents * INSIDE)).pitch_db > 0) == heard


@pytest.mark.parametrize("moving", [0, 1])
def test_steps_of_pitch_that_either_side_makes_by_itself_are_usual(moving: int) -> None:
    swaying = sawtooth(drift_cents=15 * np.sin(2 * np.pi * 1.3 * SECONDS))
    sides = np.stack([swaying if side == moving else 0.1 * CLEAN for side in (0, 1)], axis=1)
    assert judged(sides).pitch_db <= 0


@pytest.mark.parametrize(("step_db", "heard"), [(0.4, False), (6.0, True)])
def test_image_step(step_db: float, heard: bool) -> None:
    both = np.stack([CLEAN, CLEAN], axis=1)
    turned = both * 10 ** (np.stack([step_db * INSIDE, -step_db * INSIDE], axis=1) / 40)
    assert (judged(both, turned).worst_db > 0) == heard


def test_end_one_frame_late_on_a_200_frame_loop() -> None:
    high = sawtooth(RATE / 200)
    right = Loop(start_frame=RATE, end_frame=RATE + 200)
    late = Loop(start_frame=RATE, end_frame=RATE + 201)
    assert judged(high, loop=right).worst_db < -10
    assert judged(high, loop=late).pitch_db > 0


@pytest.mark.parametrize("frames", [PERIOD // 4, PERIOD // 2])
def test_part_of_a_period_too_long(frames: int) -> None:
    loop = Loop(start_frame=LOOP.start_frame, end_frame=LOOP.end_frame + frames)
    assert judged(CLEAN, loop=loop).worst_db > 6


def test_dip_at_the_join() -> None:
    for depth_db, heard in ((0.5, False), (3.0, True)):
        gain = np.ones(len(CLEAN))
        dip = round(0.06 * RATE)
        gain[LOOP.end_frame - dip : LOOP.end_frame] = 10 ** (-depth_db * np.hanning(dip) / 20)
        assert (judged(CLEAN, CLEAN * gain).worst_db > 0) == heard


def test_part_of_a_beat_is_heard_and_a_whole_one_is_not() -> None:
    beating = sawtooth() + sawtooth(F0_HZ + 1.25)
    whole = Loop(start_frame=RATE, end_frame=RATE + round(0.8 * RATE))
    part = Loop(start_frame=RATE, end_frame=RATE + round(0.48 * RATE) // PERIOD * PERIOD)
    assert judged(beating, loop=whole).worst_db <= 0
    assert judged(beating, loop=part).worst_db > 6


def test_frozen_noise_is_heard_coming_round() -> None:
    noise = np.random.default_rng(1).standard_normal(len(SECONDS)) * 0.1
    short = Loop(start_frame=RATE, end_frame=RATE + round(0.2 * RATE))
    result = judged(noise, loop=short)
    assert result.repetition_db is not None
    assert result.repetition_db > 3


def test_single_periods_of_a_low_tone_are_no_repetition() -> None:
    period = 1603  # about 30 Hz; 19 of them are no whole number of hops
    pulses = np.exp(-(np.arange(4 * RATE) % period) / (0.002 * RATE))
    for periods, heard in ((19, False), (18.5, True)):
        loop = Loop(start_frame=RATE, end_frame=RATE + round(periods * period))
        result = judged(pulses, loop=loop)
        assert result.repetition_db is not None
        assert (result.repetition_db > 0) == heard


def test_a_single_cycle_has_no_wobble_and_shows_as_frozen() -> None:
    beating = sawtooth() + sawtooth(F0_HZ + 2.5)
    result = judged(beating, loop=Loop(start_frame=RATE, end_frame=RATE + 5 * PERIOD))
    assert result.wobble_db is None
    assert result.repetition_db is None
    assert result.frozen_db is not None
    assert result.frozen_db > 1


def test_a_very_short_reference_still_gives_finite_numbers() -> None:
    loop = Loop(start_frame=200, end_frame=900)
    result = judged(CLEAN[:1000], loop=loop)
    assert all(np.isfinite(v) for v in (result.click_db, result.step_db, result.pitch_db))


def test_silence_is_inaudible() -> None:
    assert judged(np.zeros(3 * RATE)).worst_db <= 0


def test_loop_outside_the_audio_is_refused() -> None:
    with pytest.raises(MeasurementError, match="does not lie inside"):
        judged(CLEAN[: RATE + 10])


def test_known_levels_of_the_loop_are_those_measured_afresh() -> None:
    time = np.arange(4 * RATE)[:, None] / RATE
    beating = (0.2 * np.sin(2 * np.pi * np.array([220.0, 220.7]) * time)).sum(axis=1)[:, None]
    random = np.random.default_rng(3)
    blurred = beating + random.normal(0, 1e-5, beating.shape)  # more than counts as the same
    loop = Loop(start_frame=RATE, end_frame=RATE + round(1.9 * RATE))
    known, fresh = (
        join_audibility(reference, beating, RATE, loop) for reference in (beating, blurred)
    )
    assert known.wobble_db == pytest.approx(fresh.wobble_db, abs=0.3)
    assert known.repetition_db == pytest.approx(fresh.repetition_db, abs=0.3)


@pytest.mark.parametrize("first", [0.0, 0.5])
def test_movement_that_only_the_shipped_loop_has_is_heard(first: float) -> None:
    gain = 1 + 0.2 * np.sin(2 * np.pi * np.maximum(INSIDE - first, 0))
    level_db = 20 * np.log10(gain[LOOP.start_frame : LOOP.end_frame])
    lines = np.fft.rfft(level_db)[1:4] / len(level_db)
    swing_db = np.sqrt(2 * np.sum(np.abs(lines) ** 2))
    heard = judged(CLEAN, CLEAN * gain).wobble_db
    assert heard == pytest.approx(20 * np.log10(swing_db / 0.4), abs=0.8)
