"""Finished loops of short sustains, listened to before one is chosen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from keymapper.measuring.join import join_audibility
from keymapper.measuring.loops import bake_loop, find_loop, finding, flattened
from keymapper.measuring.loops.audition import audible_db
from keymapper.measuring.loops.pitch_step import JUST_HEARD_CENTS, usual_step_cents
from keymapper.measuring.loops.region import SustainRegion, find_region
from keymapper.model.loop import Loop, LoopOptions, LoopVerdict
from tests.moving_notes import RATE, moving_note
from tests.played_notes import played_note

F0_HZ = 441.0
PERIOD = 100  # frames


def tone(seconds: float, partials: int = 8, f0_hz: float = F0_HZ) -> np.ndarray:
    time = np.arange(round(seconds * RATE)) / RATE
    waves = (np.sin(2 * np.pi * n * f0_hz * time) / n for n in range(1, partials + 1))
    return np.asarray(0.2 * sum(waves), dtype=np.float32)[:, None]


def usual_cents(samples: np.ndarray, region: SustainRegion) -> float:
    return usual_step_cents(samples[region.start_frame : region.end_frame].T, RATE)


def heard_db(samples: np.ndarray, start: int, end: int, fade: int = 0) -> float:
    verdict = LoopVerdict(
        loop=Loop(start_frame=start, end_frame=end), kind="long", reason="", crossfade_frames=fade
    )
    region = find_region(samples, RATE, None)
    return audible_db(samples, RATE, region, verdict, usual_cents(samples, region))


def test_a_whole_number_of_periods_is_not_heard() -> None:
    assert heard_db(tone(1.0), 100 * PERIOD, 300 * PERIOD) < -12


def test_a_change_of_timbre_at_the_join_is_heard() -> None:
    samples = np.concatenate([tone(0.5, partials=2), tone(0.5, partials=12)])
    assert heard_db(samples, 60 * PERIOD, 400 * PERIOD) > 0


def test_a_change_of_pitch_at_the_join_is_heard() -> None:
    glide = 2 ** (np.arange(RATE) / RATE * 40 / 1200)  # 40 cents in a second
    phase = 2 * np.pi * np.cumsum(F0_HZ * glide) / RATE
    samples = np.sum([np.sin(n * phase) / n for n in range(1, 9)], axis=0)[:, None] / 8
    assert heard_db(samples, 100 * PERIOD, 400 * PERIOD, fade=20 * PERIOD) > 0


def test_a_loop_of_few_periods_that_is_out_of_tune_is_heard() -> None:
    samples = tone(1.0)
    start = 300 * PERIOD
    assert heard_db(samples, start, start + 10 * PERIOD, fade=PERIOD) < -6
    assert heard_db(samples, start, start + 10 * PERIOD + 12, fade=PERIOD) > 0  # 20 cents flat


def test_what_fails_in_a_wide_band_of_its_own_is_heard() -> None:
    start, end = 100 * PERIOD, 300 * PERIOD
    hertz = 763.5 * RATE / (end - start)  # 1683 Hz, half a turn out at the join
    partial = np.sin(2 * np.pi * hertz * np.arange(RATE) / RATE)[:, None]
    low = tone(1.0, partials=3)
    assert heard_db(low, start, end, fade=60 * PERIOD) < -6
    assert heard_db(low + 0.002 * partial, start, end, fade=60 * PERIOD) > 0


@pytest.mark.parametrize("seed", [232, 250])
def test_the_middle_of_a_brief_loop_is_no_proof_that_its_join_is_usual(seed: int) -> None:
    note = played_note("bass", seed)
    verdict = find_loop(note.samples, RATE, f0_hz=note.f0_hz)
    assert verdict.loop is not None
    shipped = bake_loop(note.samples, RATE, verdict)
    reference = flattened(note.samples, RATE, verdict)
    assert join_audibility(reference, shipped, RATE, verdict.loop).worst_db < -3


def test_movement_coming_round_is_heard_unless_it_is_calmed() -> None:
    samples = played_note("ensemble", 32).samples
    region = find_region(samples, RATE, None)
    first = region.start_frame + 4200
    verdict = LoopVerdict(
        loop=Loop(start_frame=first, end_frame=first + 9000),
        kind="long",
        reason="",
        crossfade_frames=4000,
    )
    usual = usual_cents(samples, region)
    loud = audible_db(samples, RATE, region, verdict, usual)
    calm = audible_db(samples, RATE, region, replace(verdict, calming_ratio=0.8), usual)
    assert loud > 0
    assert calm < loud - 3


def test_a_swing_at_the_rate_of_the_loop_is_heard() -> None:
    note = played_note("piano", 8)
    given = LoopOptions(given=Loop(start_frame=14357, end_frame=51414))
    verdict = find_loop(note.samples, RATE, f0_hz=note.f0_hz, options=given)
    region = find_region(note.samples, RATE, None)
    usual = usual_cents(note.samples, region)
    assert audible_db(note.samples, RATE, region, verdict, usual) > -1
    found = find_loop(note.samples, RATE, f0_hz=note.f0_hz)
    assert found.loop is not None
    reference = flattened(note.samples, RATE, found)
    shipped = bake_loop(note.samples, RATE, found)
    assert join_audibility(reference, shipped, RATE, found.loop).worst_db < -2


def test_steps_of_pitch_are_usual_where_it_sways() -> None:
    steady = tone(1.0)
    assert usual_cents(steady, find_region(steady, RATE, None)) == JUST_HEARD_CENTS
    swaying = moving_note("vibrato", 100).samples
    assert usual_cents(swaying, find_region(swaying, RATE, None)) > JUST_HEARD_CENTS


def test_of_a_short_sustain_the_next_loop_is_taken_where_the_first_is_heard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    samples = played_note("reed", 24).samples[: round(0.8 * RATE)]
    first = find_loop(samples, RATE)
    asked: list[Loop | None] = []

    def heard(*arguments: object) -> float:
        verdict = arguments[3]
        assert isinstance(verdict, LoopVerdict)
        asked.append(verdict.loop)
        return 9.0 if len(asked) == 1 else -9.0

    monkeypatch.setattr(finding, "audible_db", heard)
    second = find_loop(samples, RATE)
    assert len(asked) == 2
    assert second.loop == asked[1] != asked[0]
    assert first.loop is not None


def test_five_long_loops_of_a_short_sustain_are_listened_to(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    samples = played_note("reed", 24).samples[: round(0.8 * RATE)]
    kinds: list[str] = []

    def heard(*arguments: object) -> float:
        verdict = arguments[3]
        assert isinstance(verdict, LoopVerdict)
        kinds.append(verdict.kind)
        return 9.0

    monkeypatch.setattr(finding, "audible_db", heard)
    find_loop(samples, RATE)
    assert kinds.count("long") == 5


def test_of_a_brief_sustain_loops_from_all_over_it_are_listened_to(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[Loop] = []

    def heard(*arguments: object) -> float:
        verdict = arguments[3]
        assert isinstance(verdict, LoopVerdict)
        assert verdict.loop is not None
        asked.append(verdict.loop)
        return 9.0

    monkeypatch.setattr(finding, "audible_db", heard)
    samples = played_note("brass", 122).samples
    find_loop(samples[: round(0.8 * RATE)], RATE)
    usual, asked = len(asked), []
    find_loop(samples[: round(0.28 * RATE)], RATE)
    others = asked[-8:]
    assert len(asked) > usual
    assert max(one.end_frame for one in others) - min(one.end_frame for one in others) > 0.08 * RATE
    for index, one in enumerate(others):
        for other in others[:index]:
            lengths_apart = abs(one.length_frames - other.length_frames)
            ends_apart = abs(one.end_frame - other.end_frame)
            assert lengths_apart >= 0.004 * RATE or ends_apart >= 0.008 * RATE


def test_the_best_of_a_brief_sustain_may_lie_before_its_last_moment() -> None:
    note = played_note("brass", 122)
    samples = note.samples[: round(0.28 * RATE)]
    verdict = find_loop(samples, RATE, f0_hz=note.f0_hz)
    assert verdict.loop is not None
    reference = flattened(samples, RATE, verdict)
    shipped = bake_loop(samples, RATE, verdict)
    assert join_audibility(reference, shipped, RATE, verdict.loop).worst_db <= 0


def test_loops_of_longer_sustains_are_not_listened_to(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(finding, "audible_db", None)
    assert find_loop(tone(2.5), RATE, f0_hz=F0_HZ).loop is not None
