"""The robust fit that explains how a set of notes deviates; pure numbers.

deviation = offset + slope × octaves + velocity × share + depth × course(time) + rest

The course is straight, from 1 at the first note to 0 at the last, or exponential, from 1 at the
first note towards 0 with a time constant. Notes that do not fit lose their weight (Tukey's
biweight, by iteratively reweighted least squares from a fit of least absolute deviations; see
Maronna, Martin & Yohai, Robust Statistics, 2006, ch. 4 and 5). A course is taken up only where an
F test of the robust deviances says that chance hardly gives it; between a straight one and an
exponential one the Bayesian information criterion decides. Few notes leave few degrees of freedom:
how far a note may lie off before it loses all weight follows Student's t, as intervals do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc, stdtr, stdtrit

from keymapper.model.finding import CourseKind

TUKEY = 4.685
FARTHEST = 30.0
"""No note may lie off by more scales than this and keep any weight."""
MEDIAN_EFFICIENCY = 0.37
"""What a median magnitude is worth: a scale from it has so many of the degrees of freedom."""
HUBER_CONSISTENT = 1.4826
LEAST_SCALE_CENTS = 0.02
STEPS = 40
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


_Course = tuple[CourseKind, float | None, np.ndarray | None]
"""Kind, time constant and shape over the notes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solution:
    values: np.ndarray
    rest: np.ndarray
    weights: np.ndarray
    slopes: np.ndarray
    """Derivative of weight × rest by the rest."""
    deviance: float
    kept_deviance: float
    """The part of notes that keep some weight."""


def fit_drift(deviations: Deviations) -> DriftFit:
    """Return the simplest explanation that the deviations support.

    With fewer than 5 notes only the offset is fitted.
    """
    base_names, base = _base(deviations)
    spread = np.maximum(deviations.error_cents / 2, LEAST_SCALE_CENTS)
    inseparable: tuple[str, ...] = ()
    candidates: list[_Course] = [("none", None, None)]
    if deviations.time is not None and len(deviations.cents) >= LEAST_NOTES + base.shape[1]:
        courses = _courses(deviations.time)
        straight = courses[0][2]
        if _is_explained(straight, base):
            inseparable = ("keyboard slope", "straight drift")
            courses = courses[1:]
        candidates += [one for one in courses if not _is_explained(one[2], base)]
    cents = deviations.cents
    designs = [_design(base, one[2]) for one in candidates]
    starts = [_least_absolute(design, cents) for design in designs]
    rests = [cents - design @ start for design, start in zip(designs, starts, strict=True)]
    scale = _scale_of(rests, [design.shape[1] for design in designs], spread)
    solved = [
        (one, _solve(design, cents, scale, start))
        for one, design, start in zip(candidates, designs, starts, strict=True)
    ]
    (kind, constant, course), solution = _chosen(solved, base.shape[1])
    if kind == "settling" and constant is not None and deviations.time is not None:
        constant, solution = _refined(deviations, base, constant, (scale, solution.values))
        course = np.exp(-deviations.time / constant)
    return _fit(
        (kind, constant, course),
        solution,
        (base_names, base),
        deviations,
        inseparable if kind == "none" else (),
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


def _courses(time: np.ndarray) -> list[tuple[CourseKind, float | None, np.ndarray]]:
    span = float(time.max())
    if span <= 0:
        return []
    constants = span * np.geomspace(SHORTEST_SHARE, LONGEST_SHARE, TIME_CONSTANTS)
    straight: list[tuple[CourseKind, float | None, np.ndarray]] = [
        ("straight", None, 1 - time / span)
    ]
    return straight + [("settling", float(one), np.exp(-time / one)) for one in constants]


def _is_explained(course: np.ndarray, base: np.ndarray) -> bool:
    """Tell whether the other columns together give the course already."""
    fitted = base @ np.linalg.lstsq(base, course, rcond=None)[0]
    spread = float(np.var(course))
    return spread <= 0 or 1 - float(np.mean((course - fitted) ** 2)) / spread > INSEPARABLE


def _design(base: np.ndarray, course: np.ndarray | None) -> np.ndarray:
    return base if course is None else np.concatenate([base, course[:, None]], axis=1)


def _scale_of(rests: list[np.ndarray], columns: list[int], spread: np.ndarray) -> float:
    """Robust spread of the rest that the best of all candidates leaves, at least what is measured.

    It is the common yardstick by which the candidates are compared.
    """
    least = 0.5 * float(np.median(spread))
    scales = [_first_scale(rest, count) for rest, count in zip(rests, columns, strict=True)]
    return max(min(scales), least, LEAST_SCALE_CENTS)


def _robust_scale(rest: np.ndarray, columns: int) -> float:
    """1.4826 times the median magnitude, with the degrees of freedom taken into account."""
    free = max(1, len(rest) - columns)
    return HUBER_CONSISTENT * float(np.median(np.abs(rest))) * math.sqrt(len(rest) / free)


def _first_scale(rest: np.ndarray, columns: int) -> float:
    """1.4826 times the median magnitude of the rest, without as many zeros as there are columns.

    A fit of least absolute deviations goes exactly through so many notes (Maronna, Martin &
    Yohai, eq. 4.48).
    """
    return HUBER_CONSISTENT * float(np.median(np.sort(np.abs(rest))[columns:]))


def _least_absolute(design: np.ndarray, cents: np.ndarray) -> np.ndarray:
    """Return the fit of least absolute deviations, by reweighting."""
    weights = np.ones(len(cents))
    values = np.zeros(design.shape[1])
    for _ in range(STEPS):
        new = _weighted(design, cents, weights)
        if np.allclose(new, values, rtol=0, atol=1e-5):
            return new
        values = new
        weights = 1 / np.maximum(np.abs(cents - design @ values), 1e-3)
    return values


def _weighted(design: np.ndarray, cents: np.ndarray, weights: np.ndarray) -> np.ndarray:
    root = np.sqrt(weights)
    return np.asarray(np.linalg.lstsq(design * root[:, None], cents * root, rcond=None)[0])


def _solve(design: np.ndarray, cents: np.ndarray, scale: float, start: np.ndarray) -> _Solution:
    values = start
    weights = np.ones(len(cents))
    reach = _reach(len(cents) - design.shape[1]) * scale
    for _ in range(STEPS):
        ratio = (cents - design @ values) / reach
        weights = np.where(np.abs(ratio) < 1, (1 - np.minimum(np.abs(ratio), 1) ** 2) ** 2, 0.0)
        if weights.sum() <= design.shape[1]:
            break
        new = _weighted(design, cents, weights)
        done = np.allclose(new, values, rtol=0, atol=1e-7)
        values = new
        if done:
            break
    rest = cents - design @ values
    ratio = np.minimum(np.abs(rest) / reach, 1)
    deviances = (1 - (1 - ratio**2) ** 3) * (reach / scale) ** 2 / 3
    return _Solution(
        values=values,
        rest=rest,
        weights=weights,
        slopes=(1 - ratio**2) * (1 - 5 * ratio**2),
        deviance=float(np.sum(deviances)),
        kept_deviance=float(np.sum(deviances[weights > 0])),
    )


def _reach(free: int) -> float:
    """How many scales a note may lie off: as improbable for so few notes as 4.685 is for many.

    Of very few notes, one that is badly off would otherwise never lose any.
    """
    few = float(-stdtrit(max(1, free) * MEDIAN_EFFICIENCY, stdtr(math.inf, -TUKEY)))
    return min(few, FARTHEST)


def _chosen(solved: list[tuple[_Course, _Solution]], columns: int) -> tuple[_Course, _Solution]:
    """Return the best of the courses that chance hardly gives, else no course.

    solved : no course first.
    """
    plain = solved[0]
    likely = [pair for pair in solved[1:] if _chance(pair, plain[1], columns) < CHANCE[pair[0][0]]]
    notes = len(plain[1].rest)
    return min([plain, *likely], key=lambda pair: _criterion(pair[0][0], pair[1], notes))


def _chance(pair: tuple[_Course, _Solution], plain: _Solution, columns: int) -> float:
    """Return how often chance alone makes the deviance fall so far (an F test)."""
    (kind, _, _), solution = pair
    added = ADDED[kind]
    free = len(solution.rest) - int(np.sum(solution.weights == 0)) - columns - added
    if free < 1:
        return 1.0
    if solution.kept_deviance <= 0:
        return 0.0
    fall = max(0.0, plain.deviance - solution.deviance)
    return float(fdtrc(added, free, fall / added / (solution.kept_deviance / free)))


def _criterion(kind: CourseKind, solution: _Solution, notes: int) -> float:
    return solution.deviance + SIGNIFICANCE * ADDED[kind] * math.log(notes)


def _refined(
    deviations: Deviations, base: np.ndarray, constant: float, near: tuple[float, np.ndarray]
) -> tuple[float, _Solution]:
    """Search the time constant between its neighbours on the grid, by the golden section.

    near : the scale, and the values on the grid.
    """
    assert deviations.time is not None
    step = (LONGEST_SHARE / SHORTEST_SHARE) ** (1 / (TIME_CONSTANTS - 1))
    low, high = math.log(constant / step), math.log(constant * step)
    golden = (math.sqrt(5) - 1) / 2

    def solved(logarithm: float) -> _Solution:
        course = np.exp(-deviations.time / math.exp(logarithm))  # type: ignore[operator]
        return _solve(_design(base, course), deviations.cents, *near)

    inner, outer = high - golden * (high - low), low + golden * (high - low)
    at_inner, at_outer = solved(inner), solved(outer)
    for _ in range(30):
        if at_inner.deviance <= at_outer.deviance:
            high, outer, at_outer = outer, inner, at_inner
            inner = high - golden * (high - low)
            at_inner = solved(inner)
        else:
            low, inner, at_inner = inner, outer, at_outer
            outer = low + golden * (high - low)
            at_outer = solved(outer)
    if at_inner.deviance <= at_outer.deviance:
        return math.exp(inner), at_inner
    return math.exp(outer), at_outer


def _fit(
    course: _Course,
    solution: _Solution,
    base: tuple[tuple[str, ...], np.ndarray],
    deviations: Deviations,
    inseparable: tuple[str, ...],
) -> DriftFit:
    kind, constant, shape = course
    names, columns = base
    design = _design(columns, shape)
    names = names if shape is None else (*names, "depth")
    kept = solution.weights > 0
    scale = _robust_scale(solution.rest, design.shape[1])
    return DriftFit(
        kind=kind,
        time_constant=constant,
        columns=names,
        values=solution.values,
        errors=_errors(design, solution, (kind, constant), deviations, kept),
        parts=design * solution.values,
        rest=solution.rest,
        weights=solution.weights,
        scale=scale,
        inseparable=inseparable,
    )


def _errors(
    design: np.ndarray,
    solution: _Solution,
    course: tuple[CourseKind, float | None],
    deviations: Deviations,
    kept: np.ndarray,
) -> np.ndarray:
    """Half widths of 95 % intervals, from the notes that kept weight; the time constant counts."""
    full = design
    kind, constant = course
    if kind == "settling" and constant and deviations.time is not None:
        ratio = deviations.time / constant
        slope = solution.values[-1] * ratio * np.exp(-ratio)
        full = np.concatenate([design, slope[:, None]], axis=1)
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
