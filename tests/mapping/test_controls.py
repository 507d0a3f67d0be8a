import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.mapping.controls import brightness
from keymapper.model.keys import key_to_hz
from keymapper.model.recipe import ControlSettings, Recipe
from keymapper.model.tone import Tone


def tone(edge_hz):
    return Tone(
        bands_db=(),
        folded_bands_db=(),
        edge_99_hz=edge_hz,
        edge_999_hz=edge_hz,
        audible_edge_hz=edge_hz,
        centroid_hz=edge_hz,
        falls_seconds=(),
        seconds=1.0,
    )


def loss_db(frequency_hz, cutoff_hz):
    """Of two poles without resonance."""
    return 10 * math.log10(1 + (frequency_hz / cutoff_hz) ** 4)


@given(st.integers(12, 108), st.integers(-12, 12), st.floats(1.0, 40.0))
def test_both_ends_of_the_range_sound_good(high_key, semitones, harmonics):
    fundamental = key_to_hz(high_key)
    edge = fundamental * harmonics
    found = brightness(tone(edge / 2 ** (semitones / 12)), semitones, high_key, Recipe())
    assert found is not None
    open_hz = found.closed_hz * 2 ** (found.range_cents / 1200)
    assert loss_db(fundamental, found.closed_hz) < 1.0 or open_hz > 23_900
    if edge * 1.7 < 24_000:
        assert loss_db(edge, open_hz) <= 0.51


def test_the_recipe_narrows_the_range_from_the_dark_end():
    whole = brightness(tone(8000.0), 0, 60, Recipe())
    half = brightness(tone(8000.0), 0, 60, Recipe(controls=ControlSettings(darkest_share=0.5)))
    assert whole is not None
    assert half is not None
    assert half.range_cents == pytest.approx(whole.range_cents / 2, abs=1)
    assert half.closed_hz > whole.closed_hz


def test_silence_and_switched_off_have_no_brightness():
    assert brightness(tone(None), 0, 60, Recipe()) is None
    off = Recipe(controls=ControlSettings(brightness=False))
    assert brightness(tone(8000.0), 0, 60, off) is None
