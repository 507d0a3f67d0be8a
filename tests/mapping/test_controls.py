import math

import numpy as np
import pytest

from keymapper.mapping.controls import brightness
from keymapper.measuring.note import measured_note
from keymapper.model.keys import key_to_hz
from keymapper.model.recipe import ControlSettings, Recipe
from tests.simple_notes import RATE, note


def tone(key):
    return measured_note(note(key_to_hz(key)), RATE).tone


def loss_db(frequency_hz, cutoff_hz):
    """Of two poles without resonance."""
    return 10 * math.log10(1 + (frequency_hz / cutoff_hz) ** 4)


@pytest.mark.parametrize("key", [28, 48, 69, 90])
@pytest.mark.parametrize("semitones", [-5, 0, 7])
def test_both_ends_of_the_range_sound_good(key, semitones):
    high_key = key + semitones
    found = brightness(tone(key), semitones, high_key, Recipe())
    assert found is not None
    open_hz = found.closed_hz * 2 ** (found.range_cents / 1200)
    fundamental = key_to_hz(high_key)
    assert loss_db(fundamental, found.closed_hz) < 1.0
    for partial in range(1, 6):
        if partial * fundamental < 16_000:
            assert loss_db(partial * fundamental, open_hz) <= 0.6
    assert found.range_cents > 600


def test_the_recipe_narrows_the_range_from_the_dark_end():
    sound = tone(60)
    whole = brightness(sound, 0, 60, Recipe())
    half = brightness(sound, 0, 60, Recipe(controls=ControlSettings(darkest_share=0.5)))
    assert whole is not None
    assert half is not None
    assert half.range_cents == pytest.approx(whole.range_cents / 2, abs=1)
    assert half.closed_hz > whole.closed_hz


def test_silence_and_switched_off_have_no_brightness():
    silent = measured_note(np.zeros((RATE, 1)), RATE).tone
    assert brightness(silent, 0, 60, Recipe()) is None
    off = Recipe(controls=ControlSettings(brightness=False))
    assert brightness(tone(60), 0, 60, off) is None
