"""Telling how far some work is."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

Result = TypeVar("Result")

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, and how many there are."""


def no_progress(_what: str, _done: int, _count: int) -> None:
    """Say nothing."""


def followed(results: Iterable[Result], what: str, count: int, progress: Progress) -> list[Result]:
    """Collect results, telling how far they are."""
    collected: list[Result] = []
    progress(what, 0, count)
    for result in results:
        collected.append(result)
        progress(what, len(collected), count)
    return collected
