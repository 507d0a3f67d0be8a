"""Whether a note loops, where, and what the user may decide."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest

from keymapper.errors import UsageError
from keymapper.measuring.join import join_audibility
from keymapper.measuring.loops import bake_loop, find_loop, flattened
from keymapper.model.loop import JoinAudibility, Loop, LoopOptions, LoopVerdict
from tests.moving_notes import DECAYING, NASTY, RATE, MovingNote, moving_note


def found(note: MovingNote, options: LoopOptions | None = None) -> LoopVerdict:
    return find_loop(
        note.samples,
        note.rate,
        f0_hz=note.f0_hz,
        note_off_frame=note.note_off_frame,
        options=options or LoopOptions(),
    )


def heard(note: MovingNote, verdict: LoopVerdict) -> JoinAudibility:
    assert verdict.loop is not None
    shipped = bake_loop(note.samples, note.rate, verdict)
    reference = flattened(note.samples, note.rate, verdict)
    return join_audibility(reference, shipped, note.rate, verdict.loop)


def heard_db(note: MovingNote, verdict: LoopVerdict) -> float:
    return heard(note, verdict).worst_db


@pytest.mark.parametrize("kind", ["steady_saw", "steady_square", "steady_drawbars"])
def test_steady_notes_loop_unheard(kind: str) -> None:
    note = moving_note(kind, 100)
    verdict = found(note)
    assert verdict.kind == "long"
    assert heard_db(note, verdict) < -12


@pytest.mark.parametrize("kind", ["two_oscillators", "pulse_modulation", "vibrato"])
def test_loops_are_a_whole_number_of_beats(kind: str) -> None:
    note = next(n for n in (moving_note(kind, seed) for seed in range(100, 120)) if n.f0_hz > 150)
    verdict = found(note)
    assert verdict.loop is not None
    turns = verdict.loop.length_frames / note.rate / note.periods_seconds[0]
    assert abs(turns - round(turns)) < 0.02
    assert heard_db(note, verdict) <= 0


@pytest.mark.parametrize("kind", ["pulse_modulation", "vibrato"])
def test_pitch_goes_on_over_the_join(kind: str) -> None:
    note = moving_note(kind, 110)
    assert heard(note, found(note)).pitch_db < -12


@pytest.mark.parametrize("seed", [100, 102])
def test_of_whole_beats_those_are_taken_that_do_not_swing_with_the_loop(seed: int) -> None:
    note = moving_note("pulse_modulation", seed)
    wobble = heard(note, found(note)).wobble_db
    assert wobble is not None
    assert wobble < -12


def test_a_loop_keeps_to_what_has_settled() -> None:
    note = moving_note("vibrato", 104)
    free = find_loop(note.samples, note.rate, f0_hz=note.f0_hz)
    assert free.loop is not None
    settled = free.loop.start_frame + round(0.2 * note.rate)
    kept = find_loop(note.samples, note.rate, f0_hz=note.f0_hz, settled_frame=settled)
    assert kept.loop is not None
    assert kept.loop.start_frame - kept.crossfade_frames >= settled


def test_a_note_that_hardly_settles_loops_before() -> None:
    note = moving_note("vibrato", 104)
    free = find_loop(note.samples, note.rate, f0_hz=note.f0_hz)
    late = find_loop(
        note.samples, note.rate, f0_hz=note.f0_hz, settled_frame=len(note.samples) - note.rate // 10
    )
    assert late.loop == free.loop


@pytest.mark.parametrize("kind", list(NASTY))
def test_difficult_notes_are_never_refused(kind: str) -> None:
    verdict = found(moving_note(kind, 102))
    assert verdict.loop is not None
    assert verdict.crossfade_frames <= verdict.loop.length_frames // 2
    assert verdict.loop.start_frame - verdict.crossfade_frames >= RATE // 1000


@pytest.mark.parametrize("kind", list(DECAYING))
def test_decaying_notes_do_not_loop(kind: str) -> None:
    verdict = found(moving_note(kind, 101))
    assert verdict.loop is None
    assert verdict.kind == "none"
    assert "deca" in verdict.reason or "died" in verdict.reason


@pytest.mark.parametrize(
    ("samples", "reason"),
    [
        (np.zeros((0, 1)), "silent"),
        (np.zeros((RATE, 2)), "silent"),
        (np.full((RATE, 1), 1e-6), "silent"),
        (0.5 * np.sin(np.arange(3000) * 0.05)[:, None], "too short"),
    ],
)
def test_nothing_to_loop(samples: np.ndarray, reason: str) -> None:
    verdict = find_loop(samples, RATE)
    assert verdict.loop is None
    assert reason in verdict.reason


def test_note_off_ends_the_sustain() -> None:
    note = moving_note("steady_saw", 103)
    verdict = find_loop(note.samples, note.rate, note_off_frame=RATE)
    assert verdict.loop is not None
    assert verdict.loop.end_frame <= RATE


def test_the_same_note_gives_the_same_verdict_and_is_not_changed() -> None:
    note = moving_note("seven_saws_chorus", 104)
    before = note.samples.copy()
    assert found(note) == found(note)
    bake_loop(note.samples, note.rate, found(note))
    assert np.array_equal(before, note.samples)


@pytest.mark.parametrize("f0_hz", [27.5, 61.7, 110.3, 441.7, 1318.5])
@pytest.mark.parametrize("rate", [44100, 96000])
def test_short_loops_hold_whole_periods_within_a_cent(f0_hz: float, rate: int) -> None:
    turns = 2 * np.pi * f0_hz * np.arange(2 * rate) / rate
    wave = sum(np.sin(k * turns) / k for k in range(1, 9))[:, None] * 0.3
    verdict = find_loop(wave, rate, f0_hz=f0_hz, options=LoopOptions(mode="short"))
    assert verdict.kind == "short"
    assert verdict.loop is not None
    assert 0.02 <= verdict.loop.length_frames / rate <= 0.066
    periods = verdict.loop.length_frames * f0_hz / rate
    assert abs(1200 * math.log2(periods / round(periods))) <= 1.0


@pytest.mark.parametrize("seconds", [0.3, 1.2])
def test_short_loops_lie_where_the_note_stands_still(seconds: float) -> None:
    time = np.arange(round(seconds * RATE)) / RATE
    still = seconds * 0.72  # within the last 40 %, where ends are sought
    level_db = -12 * np.clip(np.abs(time - still) / (0.1 * seconds) - 1, 0, 1.5)
    samples = (0.2 * np.sin(2 * np.pi * 440 * time) * 10 ** (level_db / 20))[:, None]
    options = LoopOptions(mode="short")
    verdict = find_loop(samples.astype(np.float32), RATE, f0_hz=440.0, options=options)
    assert verdict.loop is not None
    middle = (verdict.loop.start_frame + verdict.loop.end_frame) / 2 / RATE
    assert middle == pytest.approx(still, abs=0.1 * seconds)


def test_mode_none_does_not_loop() -> None:
    verdict = found(moving_note("steady_saw", 100), LoopOptions(mode="none"))
    assert verdict.loop is None
    assert "switched off" in verdict.reason


def test_a_given_loop_is_taken_as_it_is() -> None:
    note = moving_note("two_oscillators", 105)
    given = Loop(start_frame=30000, end_frame=70001)
    verdict = found(note, LoopOptions(given=given))
    assert verdict.loop == given
    assert verdict.kind == "given"
    assert verdict.correlation is not None


@pytest.mark.parametrize(
    ("kind", "mode"),
    [
        ("seven_saws", "long"),
        ("vibrato_tremolo", "long"),
        ("sample_and_hold", "long"),
        ("short_pad", "long"),
        ("two_oscillators", "short"),
    ],
)
def test_a_found_loop_that_is_given_again_is_finished_alike(
    kind: str, mode: Literal["long", "short"]
) -> None:
    """So that a recipe of what was found builds the same."""
    note = moving_note(kind, 102)
    first = found(note, LoopOptions(mode=mode))
    again = found(note, LoopOptions(mode=mode, given=first.loop))
    assert again.loop == first.loop
    both = [bake_loop(note.samples, note.rate, verdict) for verdict in (first, again)]
    assert np.array_equal(*both)


def test_a_given_loop_overrules_a_refusal() -> None:
    verdict = found(
        moving_note("bell", 101), LoopOptions(given=Loop(start_frame=20000, end_frame=40000))
    )
    assert verdict.kind == "given"


@pytest.mark.parametrize(("start", "end"), [(0, 20000), (20000, 20000), (20000, 10**9)])
def test_a_given_loop_must_lie_inside_the_note(start: int, end: int) -> None:
    with pytest.raises(UsageError, match="must start at frame"):
        found(
            moving_note("steady_saw", 100),
            LoopOptions(given=Loop(start_frame=start, end_frame=end)),
        )


@pytest.mark.parametrize("seconds", [0.5, 1.5])
def test_a_wanted_length_is_met(seconds: float) -> None:
    verdict = found(moving_note("seven_saws", 106), LoopOptions(length_seconds=seconds))
    assert verdict.loop is not None
    assert verdict.loop.length_frames / RATE == pytest.approx(seconds, abs=0.03)


def test_a_wanted_length_longer_than_the_sustain_is_refused() -> None:
    verdict = found(moving_note("steady_saw", 100), LoopOptions(length_seconds=30.0))
    assert verdict.loop is None
    assert "30 s" in verdict.reason


@pytest.mark.parametrize("rate", [8000, 22050, 192000])
def test_other_sample_rates(rate: int) -> None:
    time = np.arange(rate) / rate
    wave = (0.3 * np.sin(2 * np.pi * 220 * time))[:, None]
    verdict = find_loop(wave, rate, f0_hz=220.0)
    assert verdict.loop is not None
    shipped = bake_loop(wave, rate, verdict)
    assert join_audibility(wave, shipped, rate, verdict.loop).worst_db <= 0


@pytest.mark.parametrize("frames", [60, 300, 600, 3000])
@pytest.mark.parametrize("level", [0.0, 0.3])
def test_a_given_loop_is_taken_however_short_or_silent_the_note(frames: int, level: float) -> None:
    samples = (level * np.sin(np.arange(frames) / 20))[:, None].astype(np.float32)
    given = Loop(start_frame=round(0.001 * RATE), end_frame=frames)
    verdict = find_loop(samples, RATE, options=LoopOptions(given=given))
    assert verdict.loop == given
    assert np.isfinite(bake_loop(samples, RATE, verdict)).all()
