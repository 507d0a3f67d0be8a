"""From measured values to places on a chart, ticks, and steps of a colour scale."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisScale:
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


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourScale:
    """Steps of colour from low to high, each a class of the style sheet."""

    low: float
    high: float
    steps: tuple[str, ...]
    words: tuple[str, str, str]
    """What the lowest, the middle and the highest step mean."""

    @classmethod
    def diverging(cls, reach: float, unit: str, middle: str) -> ColourScale:
        """Return nine steps about zero: one colour below, another above."""
        return cls(
            low=-reach,
            high=reach,
            steps=tuple(f"d{step}" for step in range(9)),
            words=(f"−{reach:g} {unit}", middle, f"+{reach:g} {unit}"),
        )

    @classmethod
    def sequential(cls, low: float, high: float, unit: str) -> ColourScale:
        """Return seven steps of one colour, from faint to strong."""
        words = (f"{low:.3g} {unit}".replace("-", "−"), "", f"{high:.3g} {unit}".replace("-", "−"))
        return cls(low=low, high=high, steps=tuple(f"s{step}" for step in range(7)), words=words)

    def step(self, value: float | None) -> str:
        """Return the step that a value falls into; beyond the ends, the last."""
        if value is None:
            return "unknown"
        way = (value - self.low) / (self.high - self.low)
        return self.steps[min(max(round(way * (len(self.steps) - 1)), 0), len(self.steps) - 1)]
