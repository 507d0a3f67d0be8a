"""Pitch, loops and ends against sounds whose result is known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.model.loop import Loop
from tests.proving.playing import (
    RATE,
    NoteOff,
    NoteOn,
    PlayerSettings,
    frequency_hz,
    play,
    sample,
    sine,
)

HOLD = [NoteOn(at_frame=0, key=60, velocity=127)]


def cents(sound: np.ndarray, target_hz: float) -> float:
    return float(1200 * np.log2(frequency_hz(sound) / target_hz))


@pytest.mark.parametrize(
    ("opcodes", "key", "expected_cents"),
    [
        ("pitch_keycenter=60", 60, 0),
        ("pitch_keycenter=60", 67, 700),
        ("pitch_keycenter=60", 41, -1900),
        ("pitch_keycenter=60 tune=25", 60, 25),
        ("pitch_keycenter=60 tune=-25", 60, -25),
        ("pitch_keycenter=60 tune=-7 transpose=12", 61, 1293),
        ("pitch_keycenter=62 transpose=-3", 60, -500),
        ("pitch_keycenter=60 pitch_keytrack=50", 70, 500),
        ("pitch_keycenter=60 pitch_keytrack=0", 70, 0),
        ("pitch_keycenter=60 pitch_keytrack=-100", 62, -200),
        ("pitch_keycenter=60 tune_oncc1=200", 60, 200),
    ],
)
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_signs_and_sizes_of_everything_that_moves_the_pitch(
    opcodes: str, key: int, expected_cents: float, rate: int
) -> None:
    sound = play(
        f"<region>sample=a.wav {opcodes}",
        [NoteOn(at_frame=0, key=key, velocity=127)],
        RATE // 2,
        PlayerSettings(controllers={1: 127.0}),
        a=sample(sine(440.0, 4 * rate, rate), rate),
    )
    assert cents(sound[200:], 440.0 * 2 ** (expected_cents / 1200)) == pytest.approx(0, abs=0.01)


def cycle_wav(cycles: int) -> np.ndarray:
    """A sine of exactly 200 frames a cycle (240 Hz)."""
    return sine(RATE / 200, 200 * cycles)


def test_loop_end_is_the_last_frame_played() -> None:
    text = "<region>sample=a.wav loop_mode=loop_continuous loop_start=200 loop_end={}"
    right = play(text.format(399), HOLD, RATE, a=sample(cycle_wav(4)))
    assert np.abs(right[:, 0] - sine(RATE / 200, RATE)).max() < 1e-6
    assert cents(right, 240.0) == pytest.approx(0, abs=1e-3)


@pytest.mark.parametrize(("loop_end", "expected_cents"), [(400, -8.635), (398, 8.678)])
def test_an_end_that_is_off_by_one_frame_is_heard_as_8_6_cents(
    loop_end: int, expected_cents: float
) -> None:
    sound = play(
        f"<region>sample=a.wav loop_mode=loop_continuous loop_start=200 loop_end={loop_end}",
        HOLD,
        2 * RATE,
        a=sample(cycle_wav(4)),
    )
    assert cents(sound[400:], 240.0) == pytest.approx(expected_cents, abs=0.02)


def test_a_transposed_loop_is_seamless() -> None:
    sound = play(
        "<region>sample=a.wav loop_mode=loop_continuous loop_start=200 loop_end=599",
        [NoteOn(at_frame=0, key=55, velocity=127)],
        RATE,
        a=sample(cycle_wav(4)),
    )
    truth = sine(240 * 2 ** (-5 / 12), RATE)
    assert 20 * np.log10(np.abs(sound[100:, 0] - truth[100:]).max() / 0.5) < -90


def test_a_saw_looped_over_a_fractional_step_keeps_its_harmonics() -> None:
    phases = 2 * np.pi / 200 * np.outer(np.arange(1, 30), np.arange(2000))
    saw = (np.sin(phases) / np.arange(1, 30)[:, np.newaxis]).sum(axis=0) * 0.3
    sound = play(
        "<region>sample=a.wav loop_mode=loop_continuous loop_start=400 loop_end=1399",
        [NoteOn(at_frame=0, key=62, velocity=127)],
        RATE // 2,
        a=sample(saw),
    )
    times = 2 ** (2 / 12) * np.arange(RATE // 2)
    phases = 2 * np.pi / 200 * np.outer(np.arange(1, 30), times)
    truth = (np.sin(phases) / np.arange(1, 30)[:, np.newaxis]).sum(axis=0) * 0.3
    assert 20 * np.log10(np.abs(sound[200:, 0] - truth[200:]).max()) < -90


def ramp(frames: int = 1000) -> np.ndarray:
    """Frame n holds (n + 1) / 1000, so that every frame can be told from its value."""
    return (np.arange(frames) + 1) / 1000


def played_frames(text: str, events: list, frames: int, **options: object) -> list[int]:
    sound = play(text, events, frames, a=sample(ramp(), **options))  # type: ignore[arg-type]
    return [round(value * 1000) - 1 for value in sound[:, 0]]


def test_the_order_of_frames_in_a_loop() -> None:
    text = "<region>sample=a.wav loop_mode=loop_continuous loop_start=3 loop_end=5 offset=1"
    assert played_frames(text, HOLD, 9) == [1, 2, 3, 4, 5, 3, 4, 5, 3]


def test_the_file_s_own_loop_holds_unless_the_region_says_otherwise() -> None:
    expected = [0, 1, 2, 3, 2, 3, 2]
    assert (
        played_frames("<region>sample=a.wav", HOLD, 7, loop=Loop(start_frame=2, end_frame=4))
        == expected
    )
    off = played_frames(
        "<region>sample=a.wav loop_mode=no_loop", HOLD, 7, loop=Loop(start_frame=2, end_frame=4)
    )
    assert off == [0, 1, 2, 3, 4, 5, 6]
    moved = "<region>sample=a.wav loop_mode=loop_continuous loop_start=1 loop_end=1"
    assert played_frames(moved, HOLD, 5, loop=Loop(start_frame=2, end_frame=4)) == [0, 1, 1, 1, 1]


def test_end_is_the_last_frame_and_offset_the_first() -> None:
    assert played_frames("<region>sample=a.wav offset=2 end=4", HOLD, 5) == [2, 3, 4, -1, -1]
    assert played_frames("<region>sample=a.wav end=-1", HOLD, 3) == [-1, -1, -1]


def test_reverse_plays_from_the_end() -> None:
    text = "<region>sample=a.wav direction=reverse offset=1 end=4"
    assert played_frames(text, HOLD, 5) == [3, 2, 1, 0, -1]


def test_a_sustaining_loop_is_left_at_the_end_of_its_round() -> None:
    events = [*HOLD, NoteOff(at_frame=6, key=60)]
    text = "<region>sample=a.wav loop_mode=loop_sustain loop_start=2 loop_end=4 ampeg_release=1000"
    expected = [0, 1, 2, 3, 4, 2, 3, 4, 5, 6, 7]
    assert played_frames(text, events, 11) == expected
    on = text.replace("loop_sustain", "loop_continuous")
    assert played_frames(on, events, 11) == [0, 1, 2, 3, 4, 2, 3, 4, 2, 3, 4]


def test_delay_moves_the_start() -> None:
    sound = played_frames(f"<region>sample=a.wav delay={3 / RATE}", HOLD, 5)
    assert sound == [-1, -1, -1, 0, 1]


def test_a_stereo_sample_keeps_its_sides() -> None:
    sides = np.stack([sine(440, 9600), sine(660, 9600)], axis=1)
    sound = play("<region>sample=a.wav", HOLD, 9600, a=sample(sides))
    assert np.abs(sound - sides).max() < 1e-6
