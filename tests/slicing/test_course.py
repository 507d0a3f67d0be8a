"""The course of a take: the same however it is streamed, and right at its edges."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from keymapper.slicing import course as course_module
from keymapper.slicing.course import FloatArray, TakeCourse, course_of
from keymapper.slicing.levels import levels_of
from tests.slicing.takes import ArrayTake

RATE = 8000
BLOCK = 8


def _course(samples: FloatArray) -> TakeCourse:
    return course_of(ArrayTake(samples, RATE))


def _noise(frames: int) -> FloatArray:
    return (0.1 * np.random.default_rng(3).standard_normal((frames, 2))).astype(np.float32)


def test_levels_are_those_of_each_millisecond_without_the_constant_part():
    samples = _noise(3 * RATE) + np.float32([0.2, -0.1])
    course = _course(samples)
    blocks = (samples - course.offset).reshape(-1, BLOCK, 2)
    assert np.allclose(course.offset, [0.2, -0.1], atol=0.02)
    assert np.allclose(course.peak, np.abs(blocks).max(axis=(1, 2)), atol=1e-6)
    assert np.allclose(course.power, np.square(blocks).mean(axis=(1, 2)), rtol=1e-4)


def test_borders_of_chunks_leave_no_trace(monkeypatch: pytest.MonkeyPatch):
    samples = _noise(5 * RATE + 123)
    samples[0] = 0
    whole = _course(samples)
    assert len(whole.bands_db) == 501  # a window is centred on every hop of 10 ms
    monkeypatch.setattr(course_module, "_CHUNK_SECONDS", 0.5)
    # the constant part is measured in the first chunk: give both the same
    monkeypatch.setattr(course_module, "_constant_part", lambda *_: whole.offset)
    pieces = _course(samples)
    assert np.array_equal(whole.peak, pieces.peak)
    assert np.array_equal(whole.power, pieces.power)
    assert np.array_equal(whole.bands_db, pieces.bands_db)


def test_a_click_is_heard_by_the_windows_that_reach_over_a_border():
    samples = np.zeros((4 * RATE, 2), np.float32)
    samples[2 * RATE - 40] = 0.5  # chunks are two seconds long
    heard = _course(samples).bands_db.max(axis=1) > -100
    assert np.flatnonzero(heard).tolist() == [199, 200]


def test_blocks_at_full_scale_are_known_before_the_constant_part_is_taken_out():
    samples = _noise(3 * RATE)
    samples[100 * BLOCK, 0] = 1.0
    samples[2500 * BLOCK, 1] = -1.0
    assert _course(samples).full_scale_blocks.tolist() == [100, 2500]


@pytest.mark.parametrize("frames", [0, 3, BLOCK, 10 * BLOCK - 1, 12 * BLOCK])
def test_a_take_shorter_than_a_window_has_what_is_there(frames: int):
    course = _course(_noise(frames))
    assert len(course.peak) == frames // BLOCK
    assert len(course.bands_db) == frames // (10 * BLOCK)


def test_what_is_known_of_a_long_take_is_held_only_once():
    take = ArrayTake(np.zeros((3_000_000, 1), np.int8), 1000)  # most of it are its levels
    tracemalloc.start()
    course = course_of(take)
    _, most_for_course = tracemalloc.get_traced_memory()
    tracemalloc.reset_peak()
    levels = levels_of(course)
    _, most_for_levels = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    stays = course.peak.nbytes + course.power.nbytes + course.bands_db.nbytes
    assert most_for_course < 1.4 * stays
    assert most_for_levels < 1.4 * stays + 1.2 * levels.power_sum.nbytes
