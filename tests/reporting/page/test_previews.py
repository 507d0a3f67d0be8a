"""Previews fit their room and keep the join as it is, frame by frame."""

import base64
import io

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from keymapper.model.loop import Loop
from keymapper.reporting.page.previews import preview_of
from tests.reporting.page.pages import tone

RATE = 48_000


def decoded(preview) -> np.ndarray:
    samples, rate = soundfile.read(io.BytesIO(base64.b64decode(preview.base64)), always_2d=True)
    assert rate == RATE
    return samples


def noisy(seconds: float) -> np.ndarray:
    noise = np.random.default_rng(5).normal(0, 0.01, (round(seconds * RATE), 1))
    return tone(220.0, seconds) + noise


def test_with_room_a_preview_is_the_whole_sample_in_stereo():
    sound = np.concatenate([noisy(0.5), noisy(0.5)[::-1]], axis=1)
    preview = preview_of(sound, RATE, Loop(start_frame=4_000, end_frame=20_000), 10**6)
    assert (preview.channels, preview.shortened) == (2, False)
    assert (preview.start_frame, preview.end_frame) == (4_000, 20_000)
    assert np.allclose(decoded(preview), sound[:20_064], atol=1 / 32768)


def test_with_less_room_it_is_mono_and_sides_that_cancel_stay_heard():
    side = noisy(0.5)
    room = len(preview_of(side, RATE, None, 10**6).base64)
    preview = preview_of(np.concatenate([side, -side], axis=1), RATE, None, room)
    assert (preview.channels, preview.shortened) == (1, False)
    assert np.allclose(decoded(preview), side, atol=1 / 32768)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 60_000), st.integers(120, 120_000), st.integers(20_000, 120_000))
def test_a_shortened_preview_passes_the_very_join(start, length, room):
    loop = Loop(start_frame=start, end_frame=start + length)
    sound = noisy((loop.end_frame + 100) / RATE)
    preview = preview_of(sound, RATE, loop, room)
    found = decoded(preview)
    near = min(length, 3_000)
    before = found[preview.end_frame - near : preview.end_frame]
    after = found[preview.start_frame : preview.start_frame + near]
    assert np.allclose(before, sound[loop.end_frame - near : loop.end_frame], atol=1 / 32768)
    assert np.allclose(after, sound[start : start + near], atol=1 / 32768)
    assert len(found) >= preview.end_frame


@pytest.mark.parametrize("room", [40_000, 80_000, 160_000])
@pytest.mark.parametrize("loop", [None, Loop(start_frame=30_000, end_frame=200_000)])
def test_a_preview_keeps_to_its_room(room, loop):
    preview = preview_of(noisy(6.0), RATE, loop, room)
    assert preview.shortened
    assert len(preview.base64) < 1.1 * room


def test_what_is_cut_out_is_not_heard_as_a_jump():
    loop = Loop(start_frame=30_000, end_frame=200_000)
    found = decoded(preview_of(tone(220.0, 4.3), RATE, loop, 60_000))[:, 0]
    steepest = 0.5 * 2 * np.pi * 220.0 / RATE
    assert np.abs(np.diff(found)).max() < 1.05 * steepest
    quarter = np.abs(found[4_000:-4_000]).reshape(-1)[: 400 * (len(found) // 500)]
    levels = quarter.reshape(-1, 400).max(axis=1)
    assert levels.min() > 0.9 * levels.max()


def test_the_same_sound_gives_the_same_bytes():
    loop = Loop(start_frame=30_000, end_frame=200_000)
    first, second = (preview_of(noisy(4.3), RATE, loop, 60_000) for _ in range(2))
    assert first == second
