"""The beginning of a slow note, fitted as partials that grow."""

from __future__ import annotations

import numpy as np

from keymapper.slicing.swelling import audible_seconds, key_down_seconds, swelling_note

RATE = 48_000
BEFORE = round(0.2 * RATE)


def _swell(noise_rms: float, late_seconds: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return stretch, hold and the note alone: partials that rise for two seconds."""
    seconds = np.arange(3 * RATE) / RATE
    body = sum(
        np.sin(2 * np.pi * number * 110.0 * seconds + number) / number for number in (1, 2, 3)
    )
    grown = np.clip((seconds - late_seconds) / 2, 0, 1)
    note = (0.1 * grown * body)[:, None]
    noise = np.random.default_rng(5).normal(0, noise_rms, (BEFORE + len(note), 1))
    whole = np.concatenate([np.zeros((BEFORE, 1)), note]) + noise
    return whole[: BEFORE + RATE], whole[-RATE // 2 :], note


def test_key_down_is_found_clean_and_in_noise():
    for noise_rms, near in ((1e-6, 0.001), (5e-4, 0.004)):
        stretch, hold, _ = _swell(noise_rms, 0.007)
        found = swelling_note(stretch, BEFORE, hold, RATE)
        assert found is not None
        later = key_down_seconds(found)
        assert later is not None
        assert abs(later - 0.007) < near


def test_audible_frame_is_seen_through_noise_and_rather_early():
    stretch, hold, note = _swell(5e-4, 0.0)
    threshold = 0.01 * float(np.abs(note).max())
    found = swelling_note(stretch, BEFORE, hold, RATE)
    assert found is not None
    later = audible_seconds(found, threshold)
    truth = int(np.argmax(np.abs(note[:, 0]) >= threshold)) / RATE
    assert later is not None
    assert -0.01 < later - truth < 0.0005


def test_nothing_is_said_of_noise_or_of_another_sound():
    rng = np.random.default_rng(6)
    noise = rng.normal(0, 0.01, (BEFORE + RATE, 1))
    assert swelling_note(noise, BEFORE, np.zeros((RATE, 1)), RATE) is None
    stretch, _, _ = _swell(1e-6, 0.0)
    other = np.sin(2 * np.pi * 333.0 * np.arange(RATE) / RATE)[:, None]
    found = swelling_note(stretch, BEFORE, other, RATE)
    assert found is not None
    assert key_down_seconds(found) is None
    assert audible_seconds(found, 0.001) is None
