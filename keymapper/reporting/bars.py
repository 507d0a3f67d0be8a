"""Small bars of characters, for a column of numbers that is to be seen at a glance."""

from __future__ import annotations

CELLS = 5
_LEFT_HALF, _RIGHT_HALF, _WHOLE, _MIDDLE = "▌", "▐", "█", "│"


def bar_about_zero(value: float | None, reach: float) -> str:
    """Return a bar from the middle to the left or right, `reach` wide on either side.

    2 CELLS + 1 characters, in steps of half a character; None leaves the middle alone, and what
    lies beyond `reach` ends there.
    """
    halves = 0 if value is None else round(2 * CELLS * min(1.0, abs(value) / reach))
    whole, half = _WHOLE * (halves // 2), halves % 2
    if value is not None and value < 0:
        return ((_RIGHT_HALF * half) + whole).rjust(CELLS) + _MIDDLE + " " * CELLS
    return " " * CELLS + _MIDDLE + (whole + _LEFT_HALF * half).ljust(CELLS)
