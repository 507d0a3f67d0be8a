"""Numbers, keys and choices as they are written in SFZ values."""

from __future__ import annotations

import math
import re

from keymapper.model.keys import LETTER_SEMITONES

_NUMBER = re.compile(r"[+-]?(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:[eE][+-]?\d{1,3})?")
_NOTE_NAME = re.compile(r"([a-gA-G])([#b♯♭]?)(-?\d{1,2})")
_SHIFTS = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}


def leading_number(text: str) -> tuple[float | None, bool]:
    """Return the number `text` begins with (None if there is none) and whether it is all of it."""
    match = _NUMBER.match(text)
    if match is None:
        return None, False
    value = float(match.group())
    return (value if math.isfinite(value) else None), match.end() == len(text)


def leading_key(text: str) -> tuple[float | None, bool]:
    """Return the MIDI key of a number or of a name such as ``c#4`` (``c4`` is 60), as above."""
    match = _NOTE_NAME.fullmatch(text)
    if match is None:
        return leading_number(text)
    letter, accidental, octave = match.groups()
    return 12.0 * (int(octave) + 1) + LETTER_SEMITONES[letter.lower()] + _SHIFTS[accidental], True


def decimal_text(value: float) -> str:
    """Return a number as it is written into an SFZ, to a thousandth and without a needless zero."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
