"""What ships: the crossfade, the guard frames, the levelled and the calmed loop."""

from __future__ import annotations

import numpy as np
import pytest

from keymapper.measuring.loops import bake_loop, find_loop, flattened
from keymapper.measuring.loops.calming import calmed
from keymapper.measuring.loops.crossfade import GUARD_FRAMES, crossfaded, crossfades
from keymapper.measuring.loops.spectral import (
    hop_frames,
    over_bins,
    resynthesised,
    spectra,
    third_octave_powers,
)
from keymapper.model.loop import Loop, LoopOptions, LoopVerdict
from tests.moving_notes import RATE, moving_note


def level_db(samples: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(np.asarray(samples, float) ** 2)))


def noise(seconds: float, channels: int = 1) -> np.ndarray:
    shape = (round(seconds * RATE), channels)
    return np.random.default_rng(5).standard_normal(shape).astype(np.float32) * 0.1


@pytest.mark.parametrize("kind", ["seven_saws", "slow_decay", "vibrato", "short_pad", "blown"])
@pytest.mark.parametrize("keep_release", [False, True])
def test_frames_around_both_ends_are_the_same(kind: str, keep_release: bool) -> None:
    note = moving_note(kind, 201)
    verdict = find_loop(note.samples, note.rate, note_off_frame=note.note_off_frame)
    assert verdict.loop is not None
    shipped = bake_loop(note.samples, note.rate, verdict, keep_release=keep_release)
    start, end = verdict.loop.start_frame, verdict.loop.end_frame
    assert GUARD_FRAMES >= 64
    assert np.array_equal(shipped[end : end + GUARD_FRAMES], shipped[start : start + GUARD_FRAMES])
    millisecond = RATE // 1000
    assert verdict.crossfade_frames > millisecond
    before_end, before_start = (shipped[point - millisecond : point] for point in (end, start))
    assert np.allclose(before_end, before_start, atol=1e-5)
    assert len(shipped) == (len(note.samples) if keep_release else end + GUARD_FRAMES)


def test_what_needs_no_change_is_bit_exact() -> None:
    note = moving_note("vibrato", 202)
    verdict = find_loop(
        note.samples, note.rate, note_off_frame=note.note_off_frame, options=LoopOptions()
    )
    assert verdict.loop is not None
    assert verdict.flattening is None
    shipped = bake_loop(note.samples, note.rate, verdict)
    untouched = verdict.loop.end_frame - verdict.crossfade_frames
    assert np.array_equal(shipped[:untouched], note.samples[:untouched])


def test_without_a_loop_nothing_happens() -> None:
    samples = noise(0.5)
    verdict = LoopVerdict(loop=None, kind="none", reason="it decays")
    assert bake_loop(samples, RATE, verdict) is samples


def test_a_kept_release_leads_from_the_loop_into_the_recording() -> None:
    note = moving_note("steady_saw", 203)
    verdict = find_loop(note.samples, note.rate, note_off_frame=note.note_off_frame)
    assert verdict.loop is not None
    shipped = bake_loop(note.samples, note.rate, verdict, keep_release=True)
    later = verdict.loop.end_frame + round(0.1 * RATE)
    assert np.array_equal(shipped[later:], note.samples[later:])
    steps = np.abs(np.diff(shipped[:, 0]))
    assert steps[verdict.loop.end_frame :].max() <= 1.1 * steps[: verdict.loop.end_frame].max()


@pytest.mark.parametrize("fade", [400, 2000, 11000])
def test_a_crossfade_keeps_the_level_of_what_it_joins(fade: int) -> None:
    samples = noise(3.0, channels=2)
    start, end = RATE, RATE * 5 // 2
    joined = crossfaded(samples, RATE, start, end, fade)
    assert level_db(joined) == pytest.approx(level_db(samples), abs=0.5)
    third = fade // 3
    assert level_db(joined[third : 2 * third]) == pytest.approx(level_db(samples), abs=1.0)


def test_crossfades_made_together_are_those_made_alone() -> None:
    samples = noise(3.0, channels=2)
    start, end, fades = RATE, RATE * 5 // 2, [11000, 2600, 900, 300]
    together = crossfades(samples, RATE, start, end, fades)
    for fade, one in zip(fades, together, strict=True):
        assert len(one) == fade
        assert np.allclose(one, crossfaded(samples, RATE, start, end, fade), atol=1e-5)


def test_a_crossfade_begins_and_ends_as_what_it_joins() -> None:
    samples = noise(3.0)
    start, end, fade = RATE, RATE * 5 // 2, 8000
    joined = crossfaded(samples, RATE, start, end, fade)
    assert joined[0] == pytest.approx(samples[end - fade], abs=1e-3)
    assert np.allclose(joined[-44:], samples[start - 44 : start], atol=1e-6)


def test_a_decay_is_taken_out_and_the_envelope_puts_it_back() -> None:
    time = np.arange(4 * RATE) / RATE
    wave = sum(np.sin(2 * np.pi * 220 * k * time) / k for k in range(1, 20))
    decaying = (0.2 * wave * 10 ** (-1.4 * time / 20))[:, None]
    verdict = find_loop(decaying, RATE, f0_hz=220.0)
    assert verdict.loop is not None
    assert verdict.flattening is not None
    assert verdict.flattening.decay_db_per_second == pytest.approx(1.4, abs=0.1)
    level = flattened(decaying, RATE, verdict)
    start, end = verdict.loop.start_frame, verdict.loop.end_frame
    whole = RATE // 20  # 11 periods
    pieces = [level_db(level[first : first + whole]) for first in range(start, end - whole, whole)]
    assert max(pieces) - min(pieces) < 0.2
    seconds = (np.arange(len(level)) - verdict.flattening.start_frame).clip(min=0) / RATE
    restored = level[:, 0] * 10 ** (-verdict.flattening.decay_db_per_second * seconds / 20)
    for first in range(0, end - 4000, 4000):
        part = slice(first, first + 4000)
        assert level_db(restored[part]) == pytest.approx(level_db(decaying[part]), abs=0.3)


def test_flattening_can_be_switched_off() -> None:
    note = moving_note("slow_decay", 204)
    off = find_loop(note.samples, note.rate, options=LoopOptions(flatten=False))
    assert off.loop is not None
    assert off.flattening is None
    assert flattened(note.samples, note.rate, off) is note.samples


@pytest.mark.parametrize("swings_hz", [3, 9])
def test_calming_draws_third_octaves_towards_their_mean(swings_hz: float) -> None:
    time = np.arange(2 * RATE) / RATE
    swing = 1 + 0.5 * np.sin(2 * np.pi * swings_hz * time)
    moving = (0.2 * np.sin(2 * np.pi * 500 * time) * swing)[:, None].astype(np.float32)
    start, end = RATE, RATE * 7 // 4
    calm = calmed(moving, RATE, RATE // 2, Loop(start_frame=start, end_frame=end), 0.5)
    blocks = [
        np.array([level_db(part) for part in np.array_split(x[start:end], 30)])
        for x in (moving, calm)
    ]
    assert np.std(blocks[1]) == pytest.approx(0.5 * np.std(blocks[0]), rel=0.08)
    assert np.array_equal(calm[: RATE // 2], moving[: RATE // 2])
    assert np.array_equal(calm[end:], moving[end:])


def test_tones_so_low_that_single_periods_sway_are_not_calmed() -> None:
    note = moving_note("steady_saw", 1006)
    verdict = find_loop(
        note.samples, note.rate, f0_hz=note.f0_hz, note_off_frame=note.note_off_frame
    )
    unknown = find_loop(note.samples, note.rate, note_off_frame=note.note_off_frame)
    assert note.f0_hz < 40
    assert unknown.calming_ratio > 0
    assert verdict.calming_ratio == 0


def test_spectra_unchanged_give_the_audio_back() -> None:
    column = noise(0.3)[:, 0]
    hop = hop_frames(RATE)
    assert np.allclose(resynthesised(spectra(column, hop), hop, len(column)), column, atol=1e-5)


def test_third_octaves_of_an_even_spectrum_are_even_over_all_bins() -> None:
    spectrum = np.full((2, 5, 1081), 2 - 1j, dtype=np.complex64)
    powers = third_octave_powers(spectrum)
    assert np.allclose(powers, 5.0, rtol=1e-5)
    assert np.allclose(over_bins(powers, 1081), 5.0, rtol=1e-5)
