"""Text from outside, made fit for one line of a terminal."""

from __future__ import annotations


def one_line(text: str) -> str:
    """Return text with control characters spelled out, so that it cannot move the cursor."""
    if text.isprintable():
        return text
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii")
        for letter in text
    )
