"""The first moments of a slow note: partials that grow from key-down on, over what still rings.

Of every moment at which the key may have gone down, the one that leaves least is taken (see
`growth`); and the partials that grow are the beginning of the note without noise and without the
tail, so that the first frame at the audible level can be seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from keymapper.channels import frame_peaks
from keymapper.slicing.beginning import ROUGH_HZ, Beginning, coarse_note, fine_note
from keymapper.slicing.course import FloatArray
from keymapper.slicing.growth import (
    GROWING,
    GROWN_SECONDS,
    CoarseNote,
    Fit,
    Growth,
    fit_of,
    ground_of,
    growth_from,
    prior_of,
)
from keymapper.slicing.moments import powers_from
from keymapper.slicing.onset import AUDIBLE_RATIO
from keymapper.slicing.timing import ABRUPT_RATIO, ABRUPT_SECONDS

_AS_GOOD = 0.998
"""Growth from too early fits what the tail leaves; the latest moment that fits as well is taken."""
_STEPS, _PARABOLA_SECONDS = 7, 0.012
"""Of a search; steps that are shorter have their best moment between them."""
_OVER_NOISE = 8.0
"""An audible level so many times the noise is seen in the take itself, less the tail."""
_CURVE_OVER_NOISE = 25.0
"""The same along a curve, which stays just below that level for long."""
_RATHER_EARLY = 0.98
_SURE_ERRORS, _CURVE_SURE_ERRORS = 1.4, 1.1
"""Of the audible level, less so many errors of the fit; along a curve, which stays just below that
level for long, each of them costs more."""
_ERROR_STEP = 8
"""The error of a fit is taken at every eighth frame."""
_LATEST_SHARE = 0.64
"""Of the fit; near its end a growth bends as it likes."""
_BY_CHANCE = 2.0
"""What courses explain that bend a growth, over what they would of noise alone."""
_LEAST_LEFT = 1e-9
_CLICK_SECONDS, _CLICK_RATIO = 0.005, 2.5
"""What is left so soon after key-down, over all that is left, is a click."""
_SOONER_SECONDS = 0.003
"""By so much key-down may come before it is expected."""
_PEAK_NOISE = 2.0
"""So many times its RMS, noise lifts the peak of a held note."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenAudible:
    """When a note becomes audible."""

    seconds: float
    """After key-down, the expected moment."""
    is_clear: bool
    """Seen in the take itself, less the tail; else in the fit, through noise."""
    is_abrupt: bool = False
    """It is many times louder some milliseconds later."""


def key_down_seconds(beginning: Beginning, nearest_seconds: float) -> float | None:
    """Return how long after the expected moment the key went down; None where no fit is good.

    nearest_seconds : what lies within so little is found by a parabola.
    """
    note = coarse_note(beginning, ROUGH_HZ)
    if note is None:
        return None
    near, reach = 0.0, -note.quiet_seconds
    ground = ground_of(note, reach + min(GROWN_SECONDS, max(reach, beginning.seen_seconds)))
    while reach > nearest_seconds:
        tried = near + np.linspace(-reach, reach, _STEPS)
        powers = powers_from(ground, tried)[0]
        best, step = int(np.argmax(powers)), 2 * reach / (_STEPS - 1)
        is_first = reach == -note.quiet_seconds
        if is_first and step > _PARABOLA_SECONDS:
            best = int(np.flatnonzero(powers > _AS_GOOD * powers[best])[-1])
        near, inside = float(tried[best]), 0 < best < _STEPS - 1
        if is_first and not inside:
            return None
        if inside and step < _PARABOLA_SECONDS:
            low, middle, high = powers[best - 1 : best + 2].tolist()
            near += 0.5 * step * (high - low) / max(2 * middle - low - high, 1e-30)
        reach = step / 3 if step < _PARABOLA_SECONDS else step
    return near if fit_of(growth_from(ground, near)).is_good else None


def left_by_ways(
    beginning: Beginning, key_downs: FloatArray, ways: Sequence[Sequence[int]], until_seconds: float
) -> FloatArray | None:
    """Return what a note that grew from each moment in some ways leaves unexplained.

    As the logarithm of its share of all that the tail does not explain, shape (ways, moments).
    key_downs : seconds from the expected moment, rising. until_seconds : how far the note is
    followed. None where its hold has no partials.
    """
    note = coarse_note(beginning, ROUGH_HZ)
    if note is None:
        return None
    ground = ground_of(note, min(until_seconds, beginning.seen_seconds))
    whole = float((ground.samples**2).sum()) - float((ground.tail_heard**2).sum())
    left = 1 - powers_from(ground, key_downs, ways) / max(whole, 1e-20)
    return np.asarray(np.log(np.maximum(left, _LEAST_LEFT)))


def seen_audible(
    beginning: Beginning, peak: float, way: Sequence[int] = GROWING
) -> SeenAudible | None:
    """Return when a note becomes audible, its key going down at the expected moment.

    peak : of the note, with the noise it is held in. way : powers of the time by which it grows.

    None where no fit is good enough to tell, where it begins in noise with a click, or where it is
    audible too late to be seen.
    """
    note = fine_note(beginning)
    if note is None:
        return None
    growth = growth_from(ground_of(note, beginning.seen_seconds), 0.0, way)
    fit = fit_of(growth)
    if not fit.is_good:
        return None
    noise = math.sqrt(note.high_power + fit.noise_power)
    threshold = max(AUDIBLE_RATIO * (peak - _PEAK_NOISE * noise), noise)
    if threshold > (_OVER_NOISE if way == GROWING else _CURVE_OVER_NOISE) * noise:
        seen = _seen_above(beginning, note, growth.ground.tail @ fit.ringing, threshold)
    elif _has_click(growth, fit):
        return None
    else:
        if way != GROWING:
            growth, fit = _plainest(growth, fit)
        seen = _grown_above(growth, fit_of(growth, prior_of(growth, fit)), threshold)
    return (
        seen if seen is not None and seen.seconds < _LATEST_SHARE * beginning.seen_seconds else None
    )


def _plainest(growth: Growth, fit: Fit) -> tuple[Growth, Fit]:
    """Return a growth by its first power alone, where what bends it beside that is but noise.

    Not for what grows straight: partials that lie too close to be told apart would seem surer.
    """
    plain = growth_from(growth.ground, 0.0, growth.way[:1])
    plain_fit = fit_of(plain)
    left = (plain_fit.left_power - fit.left_power) * growth.ground.samples.size
    by_chance = fit.left_power * (fit.growing.size - plain_fit.growing.size)
    return (plain, plain_fit) if left < _BY_CHANCE * by_chance else (growth, fit)


def _seen_above(
    beginning: Beginning, note: CoarseNote, tail: FloatArray, threshold: float
) -> SeenAudible | None:
    """Return when the take less the tail (coarse) reaches a level."""
    import soxr

    fine = soxr.resample(tail, 1, note.factor).reshape(-1, tail.shape[1])
    size = frame_peaks(beginning.stretch[: len(fine)] - fine[: len(beginning.stretch)])
    seconds = note.seconds[0] + np.arange(len(size)) / beginning.rate_hz
    loud = (size >= _RATHER_EARLY * threshold) & (seconds >= -_SOONER_SECONDS)
    if not loud.any():
        return None
    first = int(np.argmax(loud))
    soon = float(size[first : first + round(ABRUPT_SECONDS * beginning.rate_hz)].max())
    return SeenAudible(
        seconds=float(seconds[first]), is_clear=True, is_abrupt=soon >= ABRUPT_RATIO * threshold
    )


def _grown_above(growth: Growth, fit: Fit, threshold: float) -> SeenAudible | None:
    """Return when the note, as it grows, reaches a level, but for what noise does to it."""
    import soxr

    note, courses = growth.ground.note, growth.courses
    seen = courses[::_ERROR_STEP]
    variance = np.einsum("ij,ji->i", seen, linalg.solve(fit.precision, seen.T, assume_a="pos"))
    errors = _SURE_ERRORS if growth.way == GROWING else _CURVE_SURE_ERRORS
    error = errors * np.sqrt(fit.left_power * np.maximum(variance, 0))
    grown = soxr.resample(courses @ fit.growing, 1, note.factor)
    size = frame_peaks(grown.reshape(-1, note.samples.shape[1]))
    seconds = growth.seconds[0] + np.arange(len(size)) / (note.rate_hz * note.factor)
    least = _RATHER_EARLY * threshold - np.interp(seconds, growth.seconds[::_ERROR_STEP], error)
    loud = size >= least
    if not loud.any():
        return None
    return SeenAudible(seconds=float(seconds[np.argmax(loud)]), is_clear=False)


def _has_click(growth: Growth, fit: Fit) -> bool:
    """Say whether key-down is heard beside what grows from it."""
    ground = growth.ground
    heard = (ground.seconds >= 0) & (ground.seconds < _CLICK_SECONDS)
    grown = growth.courses[heard[-len(growth.courses) :]] @ fit.growing
    rest = ground.samples[heard] - ground.tail[heard] @ fit.ringing - grown
    return float(np.mean(rest**2)) > _CLICK_RATIO * max(fit.noise_power, fit.left_power)
