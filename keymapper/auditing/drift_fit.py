"""The robust fit that explains how a set of notes deviates; pure numbers.

deviation = offset + slope × octaves + velocity × share + depth × course(time) + rest

The course is straight, from 1 at the first note to 0 at the last, or exponential, from 1 at the
first note towards 0 with a time constant. Notes that do not fit lose their weight
(`robust_fit.py`). A course is taken up only where an F test of the robust deviances says that
chance hardly gives it; between a straight one and an exponential one the Bayesian information
criterion decides. Few notes leave few degrees of freedom: how far a note may lie off before it
loses all weight follows Student's t, as intervals do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc, stdtrit

from keymapper.auditing.robust_fit import (
    Solution,
    biweight_fit,
    first_scale,
    least_absolute,
    robust_scale,
)
from keymapper.model.finding import CourseKind

LEAST_SCALE_CENTS = 0.02
TIME_CONSTANTS = 36
SHORTEST_SHARE, LONGEST_SHARE = 0.02, 1.5
"""Time constants that are tried, as shares of the session."""
LEAST_NOTES = 5
SIGNIFICANCE = 2.0
"""Penalties of the criterion are this many times the usual: rather none than a false one."""
ADDED: dict[CourseKind, int] = {"none": 0, "straight": 1, "settling": 2}
"""What a course adds to the numbers that are fitted."""
CHANCE: dict[CourseKind, float] = {"straight": 0.02, "settling": 0.004}
"""How often chance may give a course; a settling one is picked from many time constants."""
INSEPARABLE = 0.985


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Deviations:
    """What is to be explained, one entry a note."""

    cents: np.ndarray
    error_cents: np.ndarray
    """Half width of the 95 % interval of each measurement."""
    octaves: np.ndarray
    """(key - 60) / 12."""
    velocity: np.ndarray | None
    """(velocity - 100) / 100; None where it does not vary."""
    time: np.ndarray | None
    """Minutes or notes since the first note; None where no order is known."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriftFit:
    """A fit; errors are half widths of 95 % intervals."""

    kind: CourseKind
    time_constant: float | None
    columns: tuple[str, ...]
    values: np.ndarray
    errors: np.ndarray
    parts: np.ndarray
    """What each column gives each note, shape (notes, columns)."""
    rest: np.ndarray
    weights: np.ndarray
    scale: float
    """Robust standard deviation of the rest."""
    inseparable: tuple[str, ...]

    def value(self, column: str) -> float:
        """Return a fitted value, 0 where the column was not fitted."""
        return float(self.values[self.columns.index(column)]) if column in self.columns else 0.0

    def error(self, column: str) -> float:
        """Return the half width of a value's 95 % interval."""
        return float(self.errors[self.columns.index(column)]) if column in self.columns else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Course:
    """How the oscillator may have drifted: the course over the notes, from 1 towards 0."""

    kind: CourseKind = "none"
    time_constant: float | None = None
    """In the unit of the times; None where it has none."""
    shape: np.ndarray | None = None
    """One entry a note; None where nothing drifts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Explanation:
    """A course, and how well it explains the deviations beside what else is fitted."""

    course: _Course
    solution: Solution

    @property
    def criterion(self) -> float:
        """The Bayesian information criterion: less is better."""
        notes = len(self.solution.rest)
        return self.solution.deviance + SIGNIFICANCE * ADDED[self.course.kind] * math.log(notes)


def fit_drift(deviations: Deviations) -> DriftFit:
    """Return the simplest explanation that the deviations support.

    With fewer than 5 notes only the offset is fitted.
    """
    base_names, base = _base(deviations)
    courses, inseparable = _possible_courses(deviations, base)
    cents = deviations.cents
    designs = [_design(base, course) for course in courses]
    starts = [least_absolute(design, cents) for design in designs]
    scale = _common_scale(designs, starts, deviations)
    explanations = [
        _Explanation(course=course, solution=biweight_fit(design, cents, scale, start))
        for course, design, start in zip(courses, designs, starts, strict=True)
    ]
    best = _chosen(explanations, base.shape[1])
    if best.course.kind == "settling":
        best = _refined(best, deviations, base, scale)
    return _fit(
        best, (base_names, base), deviations, inseparable if best.course.kind == "none" else ()
    )


def _base(deviations: Deviations) -> tuple[tuple[str, ...], np.ndarray]:
    names, columns = ["offset"], [np.ones(len(deviations.cents))]
    if len(deviations.cents) >= LEAST_NOTES:
        if np.ptp(deviations.octaves) > 0:
            names.append("slope")
            columns.append(deviations.octaves)
        if deviations.velocity is not None and np.ptp(deviations.velocity) > 0:
            names.append("velocity")
            columns.append(deviations.velocity)
    return tuple(names), np.stack(columns, axis=1)


def _possible_courses(
    deviations: Deviations, base: np.ndarray
) -> tuple[list[_Course], tuple[str, ...]]:
    """Return no course and all that the notes can tell from the rest, and what they cannot."""
    none, time = [_Course()], deviations.time
    if time is None or len(deviations.cents) < LEAST_NOTES + base.shape[1] or time.max() <= 0:
        return none, ()
    span = float(time.max())
    straight = _Course(kind="straight", shape=1 - time / span)
    constants = span * np.geomspace(SHORTEST_SHARE, LONGEST_SHARE, TIME_CONSTANTS)
    courses = [straight, *(_settling(time, float(constant)) for constant in constants)]
    told = [course for course in courses if not _is_explained(course, base)]
    return none + told, () if straight in told else ("keyboard slope", "straight drift")


def _settling(time: np.ndarray, constant: float) -> _Course:
    return _Course(kind="settling", time_constant=constant, shape=np.exp(-time / constant))


def _is_explained(course: _Course, base: np.ndarray) -> bool:
    """Tell whether the other columns together give the course already."""
    assert course.shape is not None
    fitted = base @ np.linalg.lstsq(base, course.shape, rcond=None)[0]
    spread = float(np.var(course.shape))
    left = float(np.mean((course.shape - fitted) ** 2))
    return spread <= 0 or 1 - left / spread > INSEPARABLE


def _design(base: np.ndarray, course: _Course) -> np.ndarray:
    if course.shape is None:
        return base
    return np.concatenate([base, course.shape[:, None]], axis=1)


def _common_scale(
    designs: Sequence[np.ndarray], starts: Sequence[np.ndarray], deviations: Deviations
) -> float:
    """Robust spread of the rest that the best of all courses leaves, at least what is measured.

    It is the common yardstick by which the courses are compared.
    """
    spread = np.maximum(deviations.error_cents / 2, LEAST_SCALE_CENTS)
    scales = [
        first_scale(deviations.cents - design @ start, design.shape[1])
        for design, start in zip(designs, starts, strict=True)
    ]
    return max(min(scales), 0.5 * float(np.median(spread)), LEAST_SCALE_CENTS)


def _chosen(explanations: Sequence[_Explanation], columns: int) -> _Explanation:
    """Return the best of the courses that chance hardly gives, else no course.

    explanations : no course first. columns : of what is fitted beside the course.
    """
    plain, *others = explanations
    likely = [one for one in others if _chance(one, plain, columns) < CHANCE[one.course.kind]]
    return min([plain, *likely], key=lambda one: one.criterion)


def _chance(one: _Explanation, plain: _Explanation, columns: int) -> float:
    """Return how often chance alone makes the deviance fall so far (an F test)."""
    solution, added = one.solution, ADDED[one.course.kind]
    free = len(solution.rest) - int(np.sum(solution.weights == 0)) - columns - added
    if free < 1:
        return 1.0
    if solution.kept_deviance <= 0:
        return 0.0
    fall = max(0.0, plain.solution.deviance - solution.deviance)
    return float(fdtrc(added, free, fall / added / (solution.kept_deviance / free)))


def _refined(
    near: _Explanation, deviations: Deviations, base: np.ndarray, scale: float
) -> _Explanation:
    """Search the time constant between its neighbours on the grid, by the golden section."""
    time, constant = deviations.time, near.course.time_constant
    assert time is not None
    assert constant is not None
    step = (LONGEST_SHARE / SHORTEST_SHARE) ** (1 / (TIME_CONSTANTS - 1))
    low, high = math.log(constant / step), math.log(constant * step)
    golden = (math.sqrt(5) - 1) / 2

    def solved(logarithm: float) -> _Explanation:
        course = _settling(time, math.exp(logarithm))
        design, start = _design(base, course), near.solution.values
        return _Explanation(
            course=course, solution=biweight_fit(design, deviations.cents, scale, start)
        )

    inner, outer = high - golden * (high - low), low + golden * (high - low)
    at_inner, at_outer = solved(inner), solved(outer)
    for _ in range(30):
        if at_inner.solution.deviance <= at_outer.solution.deviance:
            high, outer, at_outer = outer, inner, at_inner
            inner = high - golden * (high - low)
            at_inner = solved(inner)
        else:
            low, inner, at_inner = inner, outer, at_outer
            outer = low + golden * (high - low)
            at_outer = solved(outer)
    return min(at_inner, at_outer, key=lambda one: one.solution.deviance)


def _fit(
    best: _Explanation,
    base: tuple[tuple[str, ...], np.ndarray],
    deviations: Deviations,
    inseparable: tuple[str, ...],
) -> DriftFit:
    course, solution = best.course, best.solution
    names, columns = base
    design = _design(columns, course)
    return DriftFit(
        kind=course.kind,
        time_constant=course.time_constant,
        columns=names if course.shape is None else (*names, "depth"),
        values=solution.values,
        errors=_errors(design, best, deviations),
        parts=design * solution.values,
        rest=solution.rest,
        weights=solution.weights,
        scale=robust_scale(solution.rest, design.shape[1]),
        inseparable=inseparable,
    )


def _errors(design: np.ndarray, best: _Explanation, deviations: Deviations) -> np.ndarray:
    """Half widths of 95 % intervals, from the notes that kept weight; the time constant counts."""
    full, solution, constant = design, best.solution, best.course.time_constant
    if constant is not None and deviations.time is not None:
        ratio = deviations.time / constant
        slope = solution.values[-1] * ratio * np.exp(-ratio)
        full = np.concatenate([design, slope[:, None]], axis=1)
    kept = solution.weights > 0
    used = full[kept]
    free = len(used) - full.shape[1]
    if free < 1:
        return np.full(design.shape[1], math.inf)
    influence = solution.rest * solution.weights
    variance = float(np.sum(influence**2)) / free / float(np.mean(solution.slopes[kept])) ** 2
    variance = max(variance, float(np.mean((deviations.error_cents / 4) ** 2)))
    covariance = np.linalg.pinv(used.T @ used) * variance
    spread = np.sqrt(np.maximum(np.diag(covariance), 0.0))[: design.shape[1]]
    return np.asarray(stdtrit(free, 0.975) * spread)
