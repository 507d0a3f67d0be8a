"""MIDI keys, their names (60 is middle C, written C4) and velocities."""

from __future__ import annotations

import math
import re

LOWEST_KEY = 0
HIGHEST_KEY = 127
MIDDLE_C = 60
A4 = 69
LOWEST_VELOCITY = 1
HIGHEST_VELOCITY = 127

LETTER_SEMITONES = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
"""Of each note letter, above C."""

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NUMBER = re.compile(r"\d{1,9}")
_KEY_NAME = re.compile(r"([a-g])([#sb♯♭]?)(-?\d{1,2})", re.IGNORECASE)


def is_key(number: int) -> bool:
    """Tell whether a number is that of a MIDI key."""
    return LOWEST_KEY <= number <= HIGHEST_KEY


def nearest_key(number: int) -> int:
    """Return the MIDI key nearest to a number."""
    return min(max(number, LOWEST_KEY), HIGHEST_KEY)


def nearest_velocity(number: int) -> int:
    """Return the velocity of a note-on nearest to a number."""
    return min(max(number, LOWEST_VELOCITY), HIGHEST_VELOCITY)


def key_name(key: int) -> str:
    """Return a key's name with 60 as C4, for example "C#3"."""
    return f"{_NAMES[key % 12]}{key // 12 - 1}"


def key_number(text: str) -> int | None:
    """Return the key that a name such as "C#3", "Db3" or "49" says, with C4 as 60, else None."""
    if _NUMBER.fullmatch(text.strip()):
        key = int(text)
    else:
        match = _KEY_NAME.fullmatch(text.strip())
        if match is None:
            return None
        letter, accidental, octave = match.groups()
        shift = {"": 0, "b": -1, "♭": -1}.get(accidental.lower(), 1)
        key = LETTER_SEMITONES[letter.lower()] + shift + 12 * (int(octave) + 1)
    return key if is_key(key) else None


def key_to_hz(key: float, reference_hz: float = 440.0) -> float:
    """Return the frequency of a (fractional) key in equal temperament, in Hz."""
    return float(reference_hz * 2.0 ** ((key - A4) / 12.0))


def hz_to_key(frequency_hz: float, reference_hz: float = 440.0) -> float:
    """Return the fractional key of a frequency above 0 in equal temperament."""
    return A4 + 12.0 * math.log2(frequency_hz / reference_hz)
