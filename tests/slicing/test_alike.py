"""Notes without a pitch, told apart by their sound."""

import numpy as np

from keymapper.mapping.names import hints_from_names
from keymapper.slicing.alike import Colour, colour_of, sounds_without_pitch
from keymapper.slicing.evidence import HeardPitch
from keymapper.slicing.hearing import hear_take
from keymapper.slicing.report import TakeFacts, unplanned_report
from keymapper.slicing.unplanned import slice_unplanned
from tests.slicing.takes import ArrayTake


def colour(dark, bright, fall_seconds=None):
    return Colour(shares=np.array([dark, 0.2, bright]), fall_seconds=fall_seconds)


DARK, BRIGHT = colour(0.8, 0.0), colour(0.1, 0.7)


def likely(confidence, key=54.2):
    return HeardPitch(key=key, confidence=confidence)


def test_one_sound_needs_no_letter_and_what_has_a_pitch_no_sound():
    assert sounds_without_pitch([None, likely(0.95), None], [DARK] * 3) == [
        "unpitched",
        None,
        "unpitched",
    ]
    assert sounds_without_pitch([likely(0.6), likely(0.3)], [DARK] * 2) == [None, None]
    assert sounds_without_pitch([], []) == []


def test_what_sounds_like_hits_without_a_pitch_has_none_either():
    pitches = [likely(0.6), None, None, likely(0.2), None]
    colours = [DARK, colour(0.73, 0.07), BRIGHT, DARK, DARK]
    first, second = "unpitched-a", "unpitched-b"
    assert sounds_without_pitch(pitches, colours) == [first, first, second, first, first]


def test_a_note_without_a_pitch_takes_none_from_those_like_it_that_have_one():
    pitches = [likely(0.8, 60.0), likely(0.7, 62.0), None]
    assert sounds_without_pitch(pitches, [DARK] * 3) == [None, None, "unpitched"]


def test_what_dies_away_in_another_time_is_another_drum():
    closed, opened, choked = (colour(0.1, 0.7, fall) for fall in (0.03, 0.2, None))
    found = sounds_without_pitch([None] * 5, [closed, opened, closed, opened, opened])
    assert found == [f"unpitched-{letter}" for letter in "ababb"]
    slower = [colour(0.1, 0.7, fall) for fall in (0.03, 0.045, 0.05)]
    assert set(sounds_without_pitch([None] * 4, [*slower, choked])) == {"unpitched"}


def hits(rate=48_000):
    """Snares and hats in turn, soft and hard."""
    draw = np.random.default_rng(5)
    samples = draw.normal(0, 2e-5, (10 * rate, 1))
    seconds = np.arange(rate // 2) / rate
    for number in range(8):
        noise = draw.normal(0, 1, len(seconds))
        sound = np.diff(noise, n=3, append=[0.0] * 3) / 4 if number % 2 else noise
        first = round((0.5 + 1.1 * number) * rate)
        level = 0.05 if number < 4 else 0.2
        samples[first : first + len(seconds), 0] += level * sound * np.exp(-seconds / 0.06)
    return ArrayTake(samples, rate)


def test_snares_and_hats_of_a_take_are_two_drums():
    heard = hear_take(hits())
    take = slice_unplanned(heard, lambda samples, rate: None)
    facts = TakeFacts(
        file="a.wav", rate_hz=48_000, channels=1, frames=0, missing_frames=0, suffix=".wav"
    )
    files = [note.file for note in unplanned_report("Kit", [take], [facts]).notes]
    snares = [f"kit_unpitched-a_v{v:03d}_rr{turn}.wav" for v in (64, 127) for turn in (1, 2)]
    assert files[::2] == snares
    assert files[1::2] == [file.replace("-a_", "-b_") for file in snares]
    assert len({hint.sound for hint in hints_from_names(files, [None] * 8).notes}) == 2
    colours = [colour_of(heard, note) for note in take.sliced.notes]
    assert np.isclose(np.sum(colours[0].shares), 1.0)
    falls = [one.fall_seconds for one in colours]  # of exp(-t / 60 ms) by 12 dB: 83 ms
    assert all(fall is not None and abs(fall - 0.083) < 0.03 for fall in falls)
