"""Scala tuning files: a scale (.scl) and where it lies on the keys (.kbm).

Lines that begin with ``!`` are comments. A pitch with a period is in cents, any other is a ratio
or a whole number; the unison is not written, the last pitch is the period. A keyboard of size 0
maps the scale straight on, one degree a key.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path

from keymapper.errors import InputError
from keymapper.formats.small_file import read_small_file
from keymapper.model.keys import A4, HIGHEST_KEY, MIDDLE_C, key_to_hz
from keymapper.model.recipe import Recipe

_MOST_BYTES = 1 << 20
_MOST_DEGREES = 10_000
_LOWEST_HZ, _HIGHEST_HZ = 1.0, 100_000.0
_RATIO = re.compile(r"([0-9]{1,250})(?:/([0-9]{1,250}))?")
_DECIMAL = re.compile(r"-?(?:[0-9]{1,20}\.[0-9]{0,20}|\.[0-9]{1,20})")
_WHOLE = re.compile(r"-?[0-9]{1,6}")
_LINE_END = re.compile(r"\r\n|\r|\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A scale; degree 0 is 0 cents, degree n is `degrees_cents[n - 1]`, the last is the period."""

    description: str
    degrees_cents: tuple[float, ...]

    def cents(self, degree: int) -> float:
        """Return how far any degree, also below 0 or beyond the period, lies above degree 0."""
        periods, rest = divmod(degree, len(self.degrees_cents))
        within = self.degrees_cents[rest - 1] if rest else 0.0
        return periods * self.degrees_cents[-1] + within


EQUAL_STEPS = Scale(
    description="twelve equal steps", degrees_cents=tuple(100.0 * step for step in range(1, 13))
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Keyboard:
    """Where a scale lies on the keys."""

    first_key: int = 0
    last_key: int = HIGHEST_KEY
    middle_key: int = MIDDLE_C
    """Plays the first entry of the mapping."""
    reference_key: int = A4
    reference_hz: float = 440.0
    period_degree: int = 0
    """Degree that the mapping rises by when it repeats; 0: the scale's own period."""
    degrees: tuple[int | None, ...] = ()
    """Degree of each key from the middle one up; None is silent; () is one degree a key."""

    def cents(self, key: int, scale: Scale) -> float | None:
        """Return how far a key lies above degree 0 at the middle key; None where none is mapped.

        The reference key may lie outside the keys that are tuned, so their range is not looked at.
        """
        steps = key - self.middle_key
        if not self.degrees:
            return scale.cents(steps)
        repeats, place = divmod(steps, len(self.degrees))
        degree = self.degrees[place]
        if degree is None:
            return None
        period = scale.cents(self.period_degree or len(scale.degrees_cents))
        return repeats * period + scale.cents(degree)


def read_scale(path: Path) -> Scale:
    """Return the scale in a .scl file.

    Raises
    ------
    InputError
        The file cannot be read, or is no scale; the message names the line.
    """
    lines = _lines(path)
    if len(lines) < 2:
        raise InputError(f"{path}: is no scale: description or count of notes are missing.")
    count = _whole(lines[1], path, "the count of notes")
    pitches = lines[2 : 2 + count]
    if not 0 < count <= _MOST_DEGREES or len(pitches) < count:
        raise InputError(f"{path}: promises {count} notes and has {len(pitches)}.")
    degrees = tuple(_pitch_cents(line, path) for line in pitches)
    if degrees[-1] <= 0:
        raise InputError(f"{path}: its period must lie above the unison.")
    return Scale(description=lines[0].strip(), degrees_cents=degrees)


def read_keyboard(path: Path) -> Keyboard:
    """Return the keyboard in a .kbm file.

    Raises
    ------
    InputError
        The file cannot be read, or is no keyboard mapping.
    """
    lines = [line for line in _lines(path) if line.strip()]
    if len(lines) < 7:
        raise InputError(f"{path}: is no keyboard mapping: fewer than 7 values.")
    names = ("size", "first key", "last key", "middle key", "reference key")
    size, first, last, middle, reference = (
        _whole(line, path, name) for line, name in zip(lines, names, strict=False)
    )
    reference_hz = _frequency_hz(lines[5], path)
    if not 0 <= size <= _MOST_DEGREES:
        raise InputError(f"{path}: its size is {size}; it must lie in 0..{_MOST_DEGREES}.")
    entries = [line.split()[0] for line in lines[7 : 7 + size]]
    degrees = [None if e.lower() == "x" else _whole(e, path, "a degree") for e in entries]
    degrees += [None] * (size - len(degrees))
    return Keyboard(
        first_key=first,
        last_key=last,
        middle_key=middle,
        reference_key=reference,
        reference_hz=reference_hz,
        period_degree=_whole(lines[6], path, "the degree of the octave"),
        degrees=tuple(degrees),
    )


def target_cents(
    scale: Scale, keyboard: Keyboard | None = None, reference_hz: float = 440.0
) -> tuple[float | None, ...]:
    """Return where each of the 128 keys lies above equal temperament, in cents.

    Without a keyboard degree 0 is middle C, one degree a key, and A4 sounds at reference_hz.
    None for a key that the keyboard leaves out.

    Raises
    ------
    InputError
        The keyboard maps nothing to its own reference key.
    """
    board = keyboard or Keyboard(reference_hz=reference_hz)
    at_reference = board.cents(board.reference_key, scale)
    if at_reference is None:
        raise InputError(f"the keyboard maps nothing to its reference key {board.reference_key}.")
    found: list[float | None] = []
    for key in range(HIGHEST_KEY + 1):
        tuned = board.first_key <= key <= board.last_key
        cents = board.cents(key, scale) if tuned else None
        if cents is None:
            found.append(None)
            continue
        above_equal = 1200 * math.log2(board.reference_hz / key_to_hz(key, reference_hz))
        found.append(round(cents - at_reference + above_equal, 9))
    return tuple(found)


def _lines(path: Path) -> list[str]:
    """Return the lines that are no comments; UTF-8, else Latin-1."""
    content = read_small_file(path, _MOST_BYTES, "a tuning file")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    lines = _LINE_END.split(text)
    if not lines[-1]:
        lines.pop()
    return [line for line in lines if not line.startswith("!")]


def _first_word(line: str) -> str:
    """Return what counts of a line; anything after it is a remark."""
    words = line.split(maxsplit=1)
    return words[0] if words else ""


def _pitch_cents(line: str, path: Path) -> float:
    word = _first_word(line)
    if _DECIMAL.fullmatch(word):
        return float(word)
    ratio = _RATIO.fullmatch(word)
    above, below = (int(ratio[1]), int(ratio[2] or 1)) if ratio else (0, 0)
    if not (above and below):
        raise InputError(f"{path}: {_shown(line)} is neither cents nor a ratio above 0.")
    return 1200 * (math.log2(above) - math.log2(below))


def _whole(line: str, path: Path, what: str) -> int:
    word = _first_word(line)
    if not _WHOLE.fullmatch(word):
        raise InputError(f"{path}: {what} is {_shown(line)}, not a whole number.")
    return int(word)


def _frequency_hz(line: str, path: Path) -> float:
    word = _first_word(line)
    number = float(word) if _DECIMAL.fullmatch(word) or _WHOLE.fullmatch(word) else 0.0
    if not _LOWEST_HZ <= number <= _HIGHEST_HZ:
        raise InputError(
            f"{path}: the reference frequency is {_shown(line)}; "
            f"it must lie in {_LOWEST_HZ:.0f}..{_HIGHEST_HZ:.0f} Hz."
        )
    return number


def _shown(line: str) -> str:
    """Return the start of a line, fit to stand in a message of one line."""
    return repr(line.strip()[:40])


def recipe_targets(recipe: Recipe, where: Path) -> tuple[float | None, ...] | None:
    """Return where the keys lie by the Scala files that the recipe at `where` names.

    A keyboard alone lays twelve equal steps. None where it names neither.

    Raises
    ------
    InputError
        A file cannot be read, or is no scale.
    """
    tuning = recipe.tuning
    if tuning.scale is None and tuning.keyboard is None:
        return None
    scale = EQUAL_STEPS if tuning.scale is None else read_scale(where.parent / tuning.scale)
    keyboard = None if tuning.keyboard is None else read_keyboard(where.parent / tuning.keyboard)
    return target_cents(scale, keyboard, recipe.reference_hz)
