"""Words that several parts of the program put together."""

from __future__ import annotations


def counted(count: int, noun: str) -> str:
    """Return a number and what it counts: "1 note", "2 notes"."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def printable(text: str) -> str:
    """Return text with a space for whatever could break a line or move a cursor."""
    return "".join(letter if letter.isprintable() else " " for letter in text)
