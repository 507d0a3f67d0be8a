"""Linear fits that a few wild observations do not move; pure numbers.

Tukey's biweight by iteratively reweighted least squares, from a fit of least absolute deviations;
see Maronna, Martin & Yohai, Robust Statistics, 2006, ch. 4 and 5.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

TUKEY = 4.685
"""Scales beyond which many observations lose all weight: 95 % efficient for normal noise."""
FARTHEST = 30.0
"""No observation may lie off by more scales than this and keep any weight."""
MEDIAN_EFFICIENCY = 0.37
"""What a median magnitude is worth: a scale from it has so many of the degrees of freedom."""
HUBER_CONSISTENT = 1.4826
"""A normal standard deviation over its median magnitude."""
STEPS = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """A fit by Tukey's biweight; arrays have one entry an observation but for `values`."""

    values: np.ndarray
    """One a column of the design."""
    rest: np.ndarray
    weights: np.ndarray
    """0 where an observation does not fit, up to 1."""
    slopes: np.ndarray
    """Derivative of weight × rest by the rest."""
    deviance: float
    """Sum of the biweight losses of the rest in scales; for small ones, of half their squares."""
    kept_deviance: float
    """The part of observations that keep some weight."""


def robust_scale(rest: np.ndarray, columns: int) -> float:
    """Return 1.4826 times the median magnitude, times the degrees of freedom that fitting took."""
    free = max(1, len(rest) - columns)
    return HUBER_CONSISTENT * float(np.median(np.abs(rest))) * math.sqrt(len(rest) / free)


def first_scale(rest: np.ndarray, columns: int) -> float:
    """Return 1.4826 times the median magnitude, without as many zeros as there are columns.

    A fit of least absolute deviations goes exactly through so many notes (Maronna, Martin &
    Yohai, eq. 4.48).
    """
    return HUBER_CONSISTENT * float(np.median(np.sort(np.abs(rest))[columns:]))


def least_absolute(design: np.ndarray, observed: np.ndarray) -> np.ndarray:
    """Return the values that leave the least sum of magnitudes, by reweighting."""
    weights = np.ones(len(observed))
    values = np.zeros(design.shape[1])
    for _ in range(STEPS):
        new = _weighted(design, observed, weights)
        if np.allclose(new, values, rtol=0, atol=1e-5):
            return new
        values = new
        weights = 1 / np.maximum(np.abs(observed - design @ values), 1e-3)
    return values


def _weighted(design: np.ndarray, observed: np.ndarray, weights: np.ndarray) -> np.ndarray:
    root = np.sqrt(weights)
    return np.asarray(np.linalg.lstsq(design * root[:, None], observed * root, rcond=None)[0])


def biweight_fit(
    design: np.ndarray, observed: np.ndarray, scale: float, start: np.ndarray
) -> Solution:
    """Return the fit of Tukey's biweight, by reweighting from a start.

    design : shape (observations, columns). observed : shape (observations,).
    scale : robust standard deviation of the rest. start : values to begin with.
    """
    values = start
    weights = np.ones(len(observed))
    reach = _reach(len(observed) - design.shape[1]) * scale
    for _ in range(STEPS):
        ratio = (observed - design @ values) / reach
        weights = np.where(np.abs(ratio) < 1, (1 - np.minimum(np.abs(ratio), 1) ** 2) ** 2, 0.0)
        if weights.sum() <= design.shape[1]:
            break
        new = _weighted(design, observed, weights)
        done = np.allclose(new, values, rtol=0, atol=1e-7)
        values = new
        if done:
            break
    rest = observed - design @ values
    ratio = np.minimum(np.abs(rest) / reach, 1)
    deviances = (1 - (1 - ratio**2) ** 3) * (reach / scale) ** 2 / 3
    return Solution(
        values=values,
        rest=rest,
        weights=weights,
        slopes=(1 - ratio**2) * (1 - 5 * ratio**2),
        deviance=float(np.sum(deviances)),
        kept_deviance=float(np.sum(deviances[weights > 0])),
    )


def _reach(free: int) -> float:
    """How many scales a rest may be: as improbable for so few observations as 4.685 for many.

    Of very few, one that is badly off would otherwise never lose any weight.
    """
    few = float(-stdtrit(max(1, free) * MEDIAN_EFFICIENCY, stdtr(math.inf, -TUKEY)))
    return min(few, FARTHEST)
