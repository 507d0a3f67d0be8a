"""The beginning of a slow note, fitted as partials that grow over a tail that rings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from keymapper.slicing.beginning import Beginning, beginning_of
from keymapper.slicing.course import course_of
from keymapper.slicing.levels import levels_of
from keymapper.slicing.swelling import key_down_seconds, seen_audible
from keymapper.slicing.timing import Asked
from tests.slicing.takes import ArrayTake

RATE = 48_000
QUIET = round(0.25 * RATE)
EXPECTED = QUIET + round(0.03 * RATE)


def _beginning(
    noise_rms: float = 1e-6,
    late_seconds: float = 0.0,
    tail: float = 0.0,
    hum: float = 0.0,
    click: float = 0.0,
    pitch_hz: float = 110.0,
    numbers: Sequence[int] = (1, 2, 3),
) -> tuple[Beginning, np.ndarray]:
    """Return a note that rises for two seconds, and the note alone from its key-down on."""
    seconds = np.arange(3 * RATE) / RATE
    body = sum(
        np.sin(2 * np.pi * number * pitch_hz * seconds + number) / number for number in numbers
    )
    note = 0.1 * np.clip(seconds / 2, 0, 1) * body
    note[: round(0.002 * RATE)] += click
    down = RATE + round((0.28 + late_seconds) * RATE)
    whole = np.zeros(5 * RATE)
    whole[down : down + len(note)] += note[: len(whole) - down]
    time = np.arange(len(whole)) / RATE
    whole += tail * np.exp(-4 * time) * np.sin(2 * np.pi * 164.8 * time)
    whole += hum * np.sin(2 * np.pi * 50.0 * time + 1)
    whole += np.random.default_rng(5).normal(0, noise_rms, len(whole))
    columns = whole[:, None]
    beginning = Beginning(
        stretch=columns[RATE : 2 * RATE],
        key_down_frame=EXPECTED,
        quiet_frames=QUIET,
        hold=columns[-RATE:],
        before=columns[round(0.4 * RATE) : RATE + QUIET],
        rate_hz=RATE,
        hum_hz=50.0 if hum else None,
    )
    return beginning, note


@pytest.mark.parametrize(
    ("made", "near"),
    [
        ({}, 0.0005),
        ({"tail": 0.1}, 0.001),
        ({"noise_rms": 5e-4}, 0.004),
        ({"noise_rms": 5e-4, "hum": 1e-3, "tail": 0.05}, 0.006),
    ],
)
def test_key_down_is_found_over_noise_hum_and_tails(made: dict[str, float], near: float):
    beginning, _ = _beginning(late_seconds=0.007, **made)
    later = key_down_seconds(beginning, 0.002)
    assert later is not None
    assert abs(later - 0.007) < near


@pytest.mark.parametrize(
    ("made", "is_clear", "early"),
    [
        ({"tail": 0.1}, True, 0.001),
        ({"noise_rms": 5e-4}, False, 0.01),
        ({"noise_rms": 5e-4, "hum": 1e-3, "tail": 0.05}, False, 0.01),
    ],
)
def test_audible_frame_is_seen_and_rather_early(
    made: dict[str, float], is_clear: bool, early: float
):
    beginning, note = _beginning(**made)
    peak = float(np.abs(note).max())
    threshold = max(0.01 * peak, made.get("noise_rms", 0.0))
    truth = int(np.argmax(np.abs(note) >= threshold)) / RATE
    seen = seen_audible(beginning, peak)
    assert seen is not None
    assert seen.is_clear == is_clear
    assert -early < seen.seconds - truth < 0.0005


@pytest.mark.parametrize("numbers", [(1, 2), (1, 6)])
def test_high_partials_are_heard_as_they_grow_through_noise(numbers: tuple[int, ...]):
    beginning, note = _beginning(noise_rms=2e-4, pitch_hz=1170.0, numbers=numbers)
    peak = float(np.abs(note).max())
    truth = int(np.argmax(np.abs(note) >= 0.01 * peak)) / RATE
    seen = seen_audible(beginning, peak)
    assert seen is not None
    assert -0.003 < seen.seconds - truth < 0.0005


def test_nothing_is_said_where_a_click_in_noise_comes_first():
    beginning, note = _beginning(noise_rms=5e-4, click=0.004)
    assert seen_audible(beginning, float(np.abs(note).max())) is None


def test_nothing_is_said_of_noise_or_of_another_sound():
    beginning, note = _beginning()
    noise = np.random.default_rng(6).normal(0, 0.01, (RATE, 1))
    other = np.sin(2 * np.pi * 333.0 * np.arange(RATE) / RATE)[:, None]
    for hold in (np.zeros((RATE, 1)), noise, other):
        foreign = Beginning(
            stretch=beginning.stretch,
            key_down_frame=EXPECTED,
            quiet_frames=QUIET,
            hold=hold,
            before=beginning.before,
            rate_hz=RATE,
            hum_hz=None,
        )
        assert key_down_seconds(foreign, 0.002) is None
        assert seen_audible(foreign, float(np.abs(note).max())) is None


def test_a_click_beneath_a_tail_is_seen_and_abrupt():
    for click, is_abrupt in ((0.01, True), (0.0, False)):
        beginning, note = _beginning(tail=0.1, click=click)
        seen = seen_audible(beginning, float(np.abs(note).max()))
        assert seen is not None
        assert seen.is_clear
        assert seen.is_abrupt == is_abrupt
        assert (abs(seen.seconds) < 0.001) == is_abrupt


def test_the_parts_of_a_beginning_are_those_of_the_take():
    samples = np.random.default_rng(8).normal(0, 0.01, (4 * RATE, 1))
    take = ArrayTake(samples, RATE)
    levels = levels_of(course_of(take))
    asked = Asked(plan_index=0, patch=0, expected_seconds=2.0, off_seconds=3.9, until_seconds=4.0)
    found = beginning_of(take, levels, asked, None, 0.03)
    assert found is not None
    first, down = 2 * RATE - found.key_down_frame, 2 * RATE
    flat = samples - levels.course.offset
    assert np.allclose(found.stretch, flat[first : first + len(found.stretch)])
    assert np.allclose(found.before, flat[round(1.17 * RATE) : round(1.97 * RATE)])
    assert found.quiet_frames == down - round(0.03 * RATE) - first


def test_a_note_is_followed_until_it_has_stood_out_of_the_noise_for_a_while():
    seconds = np.arange(5 * RATE) / RATE
    rising = 0.1 * np.clip((seconds - 1) / 3, 0, 1) ** 3 * np.sin(2 * np.pi * 220 * seconds)
    noise = np.random.default_rng(8).normal(0, 1e-3, len(seconds))
    take = ArrayTake((rising + noise)[:, None], RATE)
    asked = Asked(plan_index=0, patch=0, expected_seconds=1.0, off_seconds=4.9, until_seconds=5.0)
    found = beginning_of(take, levels_of(course_of(take)), asked, None)
    assert found is not None
    audible_seconds = 3 * (1e-3 / 0.1) ** (1 / 3)
    assert found.seen_seconds > 1.5 * audible_seconds
    assert len(found.stretch) >= found.key_down_frame + found.seen_seconds * RATE
    seen = seen_audible(found, 0.1, (3, 4))
    assert seen is not None
    assert audible_seconds - 0.03 < seen.seconds < audible_seconds + 0.005
