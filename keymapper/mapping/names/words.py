"""Words that mean something, dynamics and release notes, and those that tell sounds apart."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from keymapper.mapping.names.lexing import NamePieces, NoteText, Word

_DYNAMICS = {
    "ppp": 16,
    "pp": 32,
    "p": 48,
    "mp": 64,
    "mf": 80,
    "f": 96,
    "ff": 112,
    "fff": 127,
    "very soft": 16,
    "quiet": 48,
    "soft": 48,
    "med": 80,
    "medium": 80,
    "mid": 80,
    "middle": 80,
    "loud": 112,
    "hard": 112,
    "very loud": 127,
    "very hard": 127,
}
# These stand for a dynamic even where every file has the same.
_SURE_DYNAMICS = frozenset(("ppp", "pp", "mp", "mf", "ff", "fff"))
_RELEASE_WORDS = frozenset(("rel", "release", "releases", "rls", "noteoff", "keyoff"))
_RELEASE_PAIRS = frozenset((("note", "off"), ("key", "off")))


def dynamics_of(
    files: Sequence[NamePieces], notes: Sequence[NoteText | None]
) -> tuple[Word | None, ...]:
    """Return the dynamic each name gives, None where the set has none.

    Where names hold more than one, the place that varies most over the set counts.
    """
    rows = [
        [word for word in _with_very(file.words) if _is_dynamic(word) and not word.overlaps(note)]
        for file, note in zip(files, notes, strict=True)
    ]
    columns = [
        tuple(row[place] if -len(row) <= place < len(row) else None for row in rows)
        for place in range(-max(map(len, rows), default=0), max(map(len, rows), default=0))
    ]
    usable = [column for column in columns if _is_usable(column)]
    nothing: tuple[Word | None, ...] = (None,) * len(files)
    return max(usable, key=lambda column: (len(_texts(column)), _coverage(column)), default=nothing)


def _with_very(words: Sequence[Word]) -> list[Word]:
    """Return words, "very" and what follows it as one."""
    joined = list(words[:1])
    for before, word in pairwise(words):
        if before.text == "very" and before.depth == word.depth:
            joined[-1] = replace(before, text=f"very {word.text}", end=word.end)
        else:
            joined.append(word)
    return joined


def velocity_of_dynamic(word: Word) -> int:
    """Return the velocity (1..127) that a dynamic usually stands for."""
    return _DYNAMICS[word.text]


def _is_dynamic(word: Word) -> bool:
    return word.text in _DYNAMICS and (word.is_free or word.text in _SURE_DYNAMICS)


def _is_usable(column: Sequence[Word | None]) -> bool:
    """Return whether most names have a dynamic and they differ, or it is a sure one."""
    texts = _texts(column)
    return _coverage(column) >= 0.5 and (len(texts) > 1 or texts <= _SURE_DYNAMICS)


def _texts(column: Sequence[Word | None]) -> set[str]:
    return {word.text for word in column if word is not None}


def _coverage(column: Sequence[Word | None]) -> float:
    return sum(word is not None for word in column) / len(column)


def release_flags(files: Sequence[NamePieces]) -> tuple[bool, ...]:
    """Return which files are release notes; a word that all names share is the patch's name."""
    counts = [_release_words(file.words) for file in files]
    return tuple(count > min(counts) for count in counts)


def _release_words(words: Sequence[Word]) -> int:
    pairs = [
        (first.text, second.text) in _RELEASE_PAIRS and first.depth == second.depth
        for first, second in pairwise(words)
    ]
    return sum(word.text in _RELEASE_WORDS for word in words) + sum(pairs)


def sounds_named(
    files: Sequence[NamePieces],
    notes: Sequence[NoteText | None],
    dynamics: Sequence[Word | None],
) -> tuple[str, ...]:
    """Return the words of each name that tell its sound from others: what all share is left out."""
    rows = [
        [word.text for word in file.words if not (word.overlaps(dynamic) or word.overlaps(note))]
        for file, note, dynamic in zip(files, notes, dynamics, strict=True)
    ]
    shared = Counter(text for row in rows for text in set(row))
    return tuple(" ".join(text for text in row if shared[text] < len(files)) for row in rows)
