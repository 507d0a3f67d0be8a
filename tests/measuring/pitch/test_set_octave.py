"""One offset a set, and the notes that deviate from it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from keymapper.measuring.pitch import set_octave


def test_common_octave_is_one_fact() -> None:
    found = set_octave([48, 60, 72], [36.01, 48.0, 59.98])
    assert found.octaves == -1
    assert found.odd_notes == ()


def test_one_wrong_note_is_odd() -> None:
    found = set_octave([48, 60, 72, 84], [48.0, 72.0, 72.1, 84.0])
    assert found.octaves == 0
    assert found.odd_notes == (1,)


def test_mislabelled_semitone_is_odd() -> None:
    assert set_octave([60, 62, 64], [60.0, 60.54, 64.0]).odd_notes == (1,)


def test_nothing_known_is_no_offset() -> None:
    assert set_octave([None, 60], [60.0, None]).octaves == 0
    assert set_octave([], []).octaves == 0


@given(
    keys=st.lists(st.integers(24, 100), min_size=3, max_size=20),
    octaves=st.integers(-2, 2),
    odd=st.integers(0, 19),
    slip=st.sampled_from([-12, -7, -1, 1, 2, 12]),
)
def test_offset_survives_one_odd_note(keys: list[int], octaves: int, odd: int, slip: int) -> None:
    sounding = [key + 12.0 * octaves for key in keys]
    sounding[odd % len(keys)] += slip
    found = set_octave(list(keys), sounding)
    assert found.octaves == octaves
    assert found.odd_notes == (odd % len(keys),)
