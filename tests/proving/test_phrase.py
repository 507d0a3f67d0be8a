from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from keymapper.errors import InputError, UsageError
from keymapper.formats.sfz import read_sfz
from keymapper.proving.phrase import phrase_chords, play_phrase, write_phrase
from tests.proving.instruments import Zone, write_instrument


def test_a_phrase_is_keys_and_chords() -> None:
    assert phrase_chords("C3 E3+G3 60") == ((48,), (52, 55), (60,))
    for text in ("", "H3", "C3 +", "C3 " * 300):
        with pytest.raises(UsageError):
            phrase_chords(text)


def test_the_peak_is_at_most_minus_6_dbfs(tmp_path: Path) -> None:
    loud = Zone(low=48, high=72, root=60, level_db=0)
    reading = read_sfz(write_instrument(tmp_path, [loud]))
    phrase = play_phrase(reading, "C4 C4+E4+G4")
    assert 20 * np.log10(np.abs(phrase.samples).max()) == pytest.approx(-6, abs=0.01)
    assert phrase.gain_db < -6
    write_phrase(phrase, tmp_path / "phrase.wav")
    written, rate = soundfile.read(tmp_path / "phrase.wav")
    assert rate == 48_000
    assert np.abs(written - phrase.samples).max() < 2e-7
    soft = Zone(low=48, high=72, root=60, level_db=-40)
    assert play_phrase(read_sfz(write_instrument(tmp_path, [soft])), "C4").gain_db == 0


def test_a_phrase_that_makes_no_sound_is_an_error(tmp_path: Path) -> None:
    reading = read_sfz(write_instrument(tmp_path, [Zone(low=60, high=60, root=60)]))
    with pytest.raises(InputError, match="nothing sounds"):
        play_phrase(reading, "C3")
