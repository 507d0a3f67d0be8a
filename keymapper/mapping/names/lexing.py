"""One file name, cut into words, numbers and what may be notes; no meaning is decided here.

A path's folders count too: depth 0 is the file itself, 1 the folder it lies in, and so on.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

from keymapper.model.keys import LETTER_SEMITONES

Tag = Literal["", "key", "velocity", "round_robin"]

_LATIN = "A-Za-zÀ-ɏ"
_SYLLABLES = {"do": 0, "re": 2, "ré": 2, "mi": 4, "fa": 5, "sol": 7, "la": 9, "si": 11}
_STEPS = {**LETTER_SEMITONES, "h": 11, **_SYLLABLES}
_SHARPS = ("sharp", "diesis", "dièse", "diese", "sostenido", "sustenido")
_FLATS = ("flat", "bemolle", "bémol", "bemol")
_SHIFTS = {
    **dict.fromkeys(("#", "♯", "s", "is", *_SHARPS), 1),
    **dict.fromkeys(("b", "♭", "es", *_FLATS), -1),
}
_GERMAN_FLATS = {"b": 10, "es": 3, "as": 8}
"""Where B is a tone below C, H a semitone; E and A flat have lost a letter."""
_HIGHEST_OCTAVE = 10
_LONGEST_NUMBER = 6
_TAGS: dict[str, Tag] = {
    **dict.fromkeys(("key", "note", "midi", "root", "midinote"), "key"),
    **dict.fromkeys(("v", "vel", "velo", "velocity", "vl", "layer", "dyn"), "velocity"),
    **dict.fromkeys(("rr", "robin", "roundrobin"), "round_robin"),
}

# A letter inside a Latin word is no note ("Bass2"), unless camel case starts anew ("PadC3").
_START = rf"(?:(?<![{_LATIN}])|(?<=[a-zß-ÿ])(?=[A-Z]))"
_OCTAVE = r"([-_ ]?)(\d{1,2})(?!\d)"
_NOTE = re.compile(
    _START + r"([A-Ha-h])(#|♯|♭|[sS](?:harp|HARP)?|[bB]|flat|FLAT|is|IS|es|ES)?" + _OCTAVE
)
_SYLLABLE_NOTE = re.compile(
    f"{_START}((?i:{'|'.join(_SYLLABLES)}))"
    f"((?i:[#♯♭sb]|[-_ ]?(?:{'|'.join((*_SHARPS, *_FLATS))})))?{_OCTAVE}"
)
_PIECE = re.compile(r"\d+|[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+|[^\W\d_]+")
_EXTENSION = re.compile(
    r"\.(?:wave?|aif[fc]?|flac|og[ga]|opus|w64|rf64|caf|mp3|au|snd)$", re.IGNORECASE
)
_DASHES = str.maketrans(dict.fromkeys("‐‑‒–—−", "-"))
_BETWEEN_TAG_AND_NUMBER = frozenset(("", " ", "_", "-", ".", "=", ":", "_-", " -"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A stretch of a name; start and end are places in the part of the path at `depth`."""

    text: str
    depth: int
    start: int
    end: int

    def overlaps(self, other: Piece | None) -> bool:
        """Return whether both share a character."""
        return (
            other is not None
            and self.depth == other.depth
            and self.start < other.end
            and other.start < self.end
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Word(Piece):
    """Letters, casefolded; `is_free` means that no digit touches them."""

    is_free: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Number(Piece):
    """Digits, and what the word before them says they are."""

    value: int
    tag: Tag


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteText(Piece):
    """What may be a note name: semitones above C, an octave, and what stands between the two."""

    step: int
    german_step: int
    """Where the names of the set are German: B is a tone below C."""
    is_german: bool
    """Whether it can be nothing else: H, Cis, Des."""
    is_syllable: bool
    """Do, Re, Mi in place of a letter."""
    octave: int
    joint: str
    is_upper: bool
    after_dash: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class NamePieces:
    """All pieces of one path, from the file outwards, left to right."""

    words: tuple[Word, ...]
    numbers: tuple[Number, ...]
    notes: tuple[NoteText, ...]


def pieces_of(name: str) -> NamePieces:
    """Return the pieces of a relative path, whatever script and Unicode form it is in."""
    parts = [part for part in re.split(r"[/\\]", name) if part] or [""]
    parts[-1] = _EXTENSION.sub("", parts[-1])
    words: list[Word] = []
    numbers: list[Number] = []
    notes: list[NoteText] = []
    for depth, part in enumerate(reversed(parts)):
        text = unicodedata.normalize("NFKC", part).translate(_DASHES)
        notes.extend(_notes_in(text, depth))
        part_words, part_numbers = _words_and_numbers_in(text, depth)
        words.extend(part_words)
        numbers.extend(part_numbers)
    return NamePieces(words=tuple(words), numbers=tuple(numbers), notes=tuple(notes))


def _notes_in(text: str, depth: int) -> list[NoteText]:
    notes = [
        _note_of(match, text, depth)
        for pattern in (_NOTE, _SYLLABLE_NOTE)
        for match in pattern.finditer(text)
        if int(match.group(4)) <= _HIGHEST_OCTAVE
    ]
    return sorted(notes, key=lambda note: note.start)


def _note_of(match: re.Match[str], text: str, depth: int) -> NoteText:
    name, accidental = match.group(1).lower(), (match.group(2) or "").strip("-_ ").lower()
    step = _STEPS[name] + _SHIFTS.get(accidental, 0)
    return NoteText(
        text=match.group(),
        depth=depth,
        start=match.start(),
        end=match.end(),
        step=step,
        german_step=_GERMAN_FLATS.get(name + accidental, step),
        is_german=name == "h" or accidental in ("is", "es"),
        is_syllable=name in _SYLLABLES,
        octave=int(match.group(4)),
        joint=match.group(3),
        is_upper=match.group()[0].isupper(),
        after_dash=text[: match.start()].endswith("-"),
    )


def _words_and_numbers_in(text: str, depth: int) -> tuple[list[Word], list[Number]]:
    words: list[Word] = []
    numbers: list[Number] = []
    for match in _PIECE.finditer(text):
        start, end = match.span()
        if match.group()[0].isdecimal():
            last = words[-1] if words else None
            is_tagged = last is not None and text[last.end : start] in _BETWEEN_TAG_AND_NUMBER
            numbers.append(
                Number(
                    text=match.group(),
                    depth=depth,
                    start=start,
                    end=end,
                    value=_value_of(match.group()),
                    tag=_TAGS.get(last.text, "") if last is not None and is_tagged else "",
                )
            )
        else:
            touches = text[start - 1 : start].isdecimal() or text[end : end + 1].isdecimal()
            words.append(
                Word(
                    text=match.group().casefold(),
                    depth=depth,
                    start=start,
                    end=end,
                    is_free=not touches,
                )
            )
    return words, numbers


def _value_of(digits: str) -> int:
    """Return the number; anything longer than a number of ours is as good as a million."""
    return int(digits) if len(digits) <= _LONGEST_NUMBER else 10**_LONGEST_NUMBER
