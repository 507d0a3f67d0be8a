"""From measured values to places on a chart, ticks, and steps of a colour scale."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
DIVERGING_STEPS = 9
SEQUENTIAL_STEPS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A straight line from values to places; `logarithmic` takes the logarithm first."""

    low: float
    high: float
    start: float
    end: float
    logarithmic: bool = False

    def __call__(self, value: float) -> float:
        """Return the place of a value."""
        low, high = self.low, self.high
        if self.logarithmic:
            low, high, value = math.log(low), math.log(high), math.log(value)
        way = (value - low) / (high - low)
        return self.start + way * (self.end - self.start)

    def many(self, values: Sequence[float] | np.ndarray) -> np.ndarray:
        """Return the places of many values."""
        array, low, high = np.asarray(values, dtype=float), self.low, self.high
        if self.logarithmic:
            array, low, high = np.log(array), math.log(low), math.log(high)
        places: np.ndarray = self.start + (array - low) / (high - low) * (self.end - self.start)
        return places


def nice_step(span: float, count: int) -> float:
    """Return the round step that divides a span into about `count` parts."""
    rough = max(span, 1e-9) / max(count, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in _STEPS if step * power >= rough * 0.999)


def ticks(low: float, high: float, count: int = 6) -> list[float]:
    """Return the round values from low to high, about `count` of them."""
    step = nice_step(high - low, count)
    first, last = math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6)
    return [round(index * step, 10) for index in range(first, last + 1)]


def padded_range(
    values: Iterable[float], *, least: float, around: float | None = None
) -> tuple[float, float]:
    """Return a range with round ends that holds all values and is no narrower than `least`.

    around : a value that the range is symmetrical about.
    """
    found = [value for value in values if math.isfinite(value)]
    if around is not None:
        reach = max([abs(value - around) for value in found] + [least / 2])
        reach = math.ceil(reach * 1.05 / nice_step(reach, 4)) * nice_step(reach, 4)
        return around - reach, around + reach
    low, high = (min(found), max(found)) if found else (0.0, least)
    middle, half = (low + high) / 2, max((high - low) / 2 * 1.08, least / 2)
    step = nice_step(2 * half, 5)
    return math.floor((middle - half) / step) * step, math.ceil((middle + half) / step) * step


def diverging_step(value: float | None, reach: float) -> str:
    """Return which of the nine steps -reach … +reach a value falls into: "d0" … "d8"."""
    if value is None:
        return "unknown"
    half = DIVERGING_STEPS // 2
    step = round(min(max(value / reach, -1.0), 1.0) * half)
    return f"d{step + half}"


def sequential_step(value: float | None, low: float, high: float) -> str:
    """Return which of the seven steps low … high a value falls into: "s0" … "s6"."""
    if value is None:
        return "unknown"
    way = (value - low) / (high - low) if high > low else 0.0
    return f"s{min(max(int(way * SEQUENTIAL_STEPS), 0), SEQUENTIAL_STEPS - 1)}"
