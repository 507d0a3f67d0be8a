"""Numbers in JSON from anywhere: none that we write is so large that arithmetic fails on it."""

from __future__ import annotations

import re

_STRING = re.compile(r'"(?:[^"\\]|\\.)*"', re.DOTALL)
_TOO_LARGE = re.compile(r"(?<![\d.])\d{16,}|[eE]\+?0*(?:1[6-9]|[2-9]\d|\d{3,})")


def has_huge_numbers(text: str) -> bool:
    """Tell whether a number in a JSON text is 1e15 or more by the look of it."""
    return _TOO_LARGE.search(_STRING.sub('""', text)) is not None
