"""A long release is told from the sound it ends; sounds that merely decay or are cut have none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.measuring.loops.region import find_region
from keymapper.measuring.loops.release import release_block
from tests.moving_notes import DECAYING, KINDS, moving_note

SOUND_LOST_DB = -40.0


def levels(held_seconds: float, reverb_seconds: float, *, slope: float = 0.0) -> np.ndarray:
    """Levels of every 10 ms: held with a slope in dB a second, then 60 dB down in so long."""
    seconds = np.arange(round((held_seconds + reverb_seconds) * 100)) / 100
    fall = -60 * np.maximum(0, seconds - held_seconds) / reverb_seconds
    course = slope * np.minimum(seconds, held_seconds) + fall
    return course[course > course.max() + SOUND_LOST_DB]


@given(
    held=st.floats(1.4, 8.0),
    reverb=st.floats(2.0, 8.0),
    slope=st.floats(-0.7, 1.0),
    seed=st.integers(0, 1000),
)
def test_release_begins_where_the_key_was_let_go(
    held: float, reverb: float, slope: float, seed: int
) -> None:
    course = levels(held, reverb, slope=slope)
    wavering = np.random.default_rng(seed).normal(0, 0.5, len(course))
    block = release_block(course + wavering)
    assert block is not None
    assert -0.5 < block / 100 - held < 0.5


def test_gates_do_not_hide_the_release() -> None:
    course = levels(3.0, 5.0)
    gated = np.where(np.arange(len(course)) // 12 % 2, course - 30, course)
    block = release_block(gated)
    assert block is not None
    assert block / 100 == pytest.approx(3.0, abs=0.4)


@pytest.mark.parametrize("seconds", [2.0, 4.0, 8.0])
def test_what_is_cut_while_it_is_held_has_no_release(seconds: float) -> None:
    assert release_block(np.random.default_rng(1).normal(0, 1.0, round(100 * seconds))) is None


@pytest.mark.parametrize("db_a_second", [3.0, 8.0, 20.0, 60.0])
def test_an_even_decay_has_no_release(db_a_second: float) -> None:
    course = -db_a_second * np.arange(600) / 100
    assert release_block(course[course > SOUND_LOST_DB]) is None


@pytest.mark.parametrize("still_seconds", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("reverb_seconds", [2.0, 4.0, 8.0])
def test_a_pluck_that_stands_still_in_its_reverberation_has_no_release(
    still_seconds: float, reverb_seconds: float
) -> None:
    assert release_block(levels(still_seconds, reverb_seconds)) is None


def test_echoes_of_a_pluck_that_end_are_no_release() -> None:
    assert release_block(levels(2.0, 2.0, slope=-6.0)) is None


@pytest.mark.parametrize("kind", sorted(DECAYING))
@pytest.mark.parametrize("seed", [2, 4])
def test_what_decays_is_refused_as_before(kind: str, seed: int) -> None:
    note = moving_note(kind, seed)
    assert find_region(note.samples, note.rate, None).refusal is not None


@pytest.mark.parametrize("kind", ["steady_saw", "two_oscillators", "chorus", "noise_pad"])
@pytest.mark.parametrize("reverb_seconds", [3.0, 6.0])
def test_sustain_ends_where_a_long_release_begins(kind: str, reverb_seconds: float) -> None:
    assert kind in KINDS
    note = moving_note(kind, 2)
    held = note.samples[: note.note_off_frame]
    more = np.concatenate([held[::-1], held])[: round(reverb_seconds * note.rate)]
    fading = 10 ** (-3 * np.arange(len(more)) / (reverb_seconds * note.rate))
    region = find_region(np.concatenate([held, more * fading[:, None]]), note.rate, None)
    assert region.refusal is None
    assert region.end_frame / note.rate == pytest.approx(len(held) / note.rate, abs=0.5)
