"""File names that Windows, macOS, Linux and exFAT all take, and that no player trips over.

Only `A-Z a-z 0-9 . _ -` are used, no name starts or ends with a dot, none is one of Windows'
device names, and names of a folder differ by more than case.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

LONGEST_NAME = 60

_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", "conin", "conout"]
    + [f"{port}{number}" for port in ("com", "lpt") for number in range(10)]
)
_NOTE_SHARP = re.compile(r"(?<![A-Za-z])([A-Ga-g])[#♯]")
_NOTE_FLAT = re.compile(r"(?<![A-Za-z])([A-Ga-g])♭")
_LATIN_LETTER = re.compile(
    r"LATIN (CAPITAL|SMALL) (?:LETTER|LIGATURE) (?:DOTLESS |LONG )?([A-Z]{1,2})(?: WITH .*)?"
)
_UNSAFE = re.compile(r"[^A-Za-z0-9.-]+")
_LETTERS = {
    **dict(zip("абвгґдезийклмнопрстуфыэіїў", "abvggdeziiklmnoprstufyeiiu", strict=True)),
    **dict(
        zip(
            "ёжхцчщшюяє", ("e", "zh", "kh", "ts", "ch", "shch", "sh", "yu", "ya", "ye"), strict=True
        )
    ),
    **dict.fromkeys("ъь", ""),
    **dict(zip("αβγδεζηικλμνξοπρσςτυφω", "avgdeziiklmnxoprsstyfo", strict=True)),
    **dict(zip("θχψßþðŋ", ("th", "ch", "ps", "ss", "th", "d", "ng"), strict=True)),
}


def safe_name(text: str, *, longest: int = LONGEST_NAME, fallback: str = "sample") -> str:
    """Return `text` as a safe name for a file or folder, without regard to other names.

    Accents are dropped, Latin, Cyrillic and Greek letters written in ASCII, sharps of notes as s
    and flats as b; everything else becomes one underscore.

    longest : most characters of the name (at least 8); what is over is cut off.
    fallback : a safe name, taken when nothing of the text is left.
    """
    ascii_text = "".join(_ascii_of(character) for character in _with_plain_accidentals(text))
    name = _UNSAFE.sub("_", ascii_text)
    name = re.sub(r"_*\.[._]*", ".", re.sub(r"__+", "_", name))
    name = name.strip("._-")[:longest].rstrip("._-") or fallback
    if name.split(".")[0].casefold() in _RESERVED:
        name = f"_{name}"[:longest]
    return name


def safe_names(
    texts: Iterable[str], *, longest: int = LONGEST_NAME, fallback: str = "sample"
) -> tuple[str, ...]:
    """Return a safe name for each text, in order, no two of which differ by case alone.

    The second of two equal names gets "_2", and so on, so equal input gives equal names.
    """
    taken: set[str] = set()
    next_number: dict[str, int] = {}
    names = []
    for text in texts:
        base = safe_name(text, longest=longest, fallback=fallback)
        name = base
        while name.casefold() in taken:
            number = next_number.get(base.casefold(), 2)
            next_number[base.casefold()] = number + 1
            ending = f"_{number}"
            name = base[: longest - len(ending)].rstrip("._-") + ending
        taken.add(name.casefold())
        names.append(name)
    return tuple(names)


def _with_plain_accidentals(text: str) -> str:
    composed = unicodedata.normalize("NFC", text)
    return _NOTE_FLAT.sub(r"\1b", _NOTE_SHARP.sub(r"\1s", composed))


def _ascii_of(character: str) -> str:
    """Return the character in ASCII, or a space where it has no letters of ours."""
    if character.isascii():
        return character
    if character.lower() in _LETTERS:
        return _in_case_of(character, _LETTERS[character.lower()])
    plain = "".join(
        part for part in unicodedata.normalize("NFKD", character) if not unicodedata.combining(part)
    )
    if plain != character and plain:
        return "".join(_ascii_of(part) for part in plain)
    if unicodedata.combining(character):
        return ""
    match = _LATIN_LETTER.fullmatch(unicodedata.name(character, ""))
    if match is None:
        return " "
    return match.group(2) if match.group(1) == "CAPITAL" else match.group(2).lower()


def _in_case_of(character: str, letters: str) -> str:
    return letters if character.islower() else letters.capitalize()
