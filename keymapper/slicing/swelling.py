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

from keymapper.channels import frame_peaks, less_means
from keymapper.slicing.background import HUM_PARTIALS
from keymapper.slicing.course import FloatArray, TakeAudio
from keymapper.slicing.growth import (
    GROWING,
    GROWN_SECONDS,
    CoarseNote,
    Fit,
    Growth,
    fit_of,
    ground_of,
    growth_from,
    powers_from,
    prior_of,
)
from keymapper.slicing.levels import Levels
from keymapper.slicing.onset import AUDIBLE_RATIO, GUARD_SECONDS
from keymapper.slicing.partials import HIGHEST_HZ, Partials, partials_of
from keymapper.slicing.timing import ABRUPT_RATIO, ABRUPT_SECONDS, Asked

_FINE_HZ, _ROUGH_HZ = 6_000, 4_000
"""Least rates: to see a frame, and to draw a line through key-downs."""
_EVERY_PARTIAL_HZ = round(2.2 * HIGHEST_HZ)
"""A rate at which no partial is lost."""
_ABOVE_PARTIALS = 2.5
"""A frame is seen at a rate of at least so many times the highest partial."""
_FASTEST_DECAY = 40.0
"""Nepers a second."""
_TAIL_SHARE, _TAIL_IN_NOISE = 5e-4, 0.5
"""Softer than these shares of the held note, and of the noise, a partial of the tail is nothing."""
_SEEN_SECONDS, _SHORTLY_SEEN_SECONDS, _LEAST_SEEN_SECONDS = 0.5, 0.25, 0.1
"""Looked at for the first audible frame, after key-down; of notes held shortly, less: in what there
is of their hold, beats are not told from single partials, and bend these."""
_HOLD_SECONDS, _HOLD_SHARE = 2.0, 0.7
_LONG_HELD_SECONDS, _LEAST_HELD_SECONDS = 1.0, 0.5
_PAST_SECONDS, _LEAST_PAST_SECONDS = 0.25, 0.06
_TAIL_SECONDS = 0.8
"""Looked at for what the tail is made of."""
_AS_GOOD = 0.998
"""Growth from too early fits what the tail leaves; the latest moment that fits as well is taken."""
_STEPS, _PARABOLA_SECONDS = 7, 0.012
"""Of a search; steps that are shorter have their best moment between them."""
_OVER_NOISE = 8.0
"""An audible level so many times the noise is seen in the take itself, less the tail."""
_CURVE_OVER_NOISE = 25.0
"""The same along a curve, which stays just below that level for long."""
_RATHER_EARLY = 0.98
_SURE_ERRORS = 1.1
"""Of the audible level, less so many errors of the fit."""
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beginning:
    """The parts of a take that tell how a note begins, each of shape (frames, channels)."""

    stretch: FloatArray
    """First without the note, then its start."""
    key_down_frame: int
    """Of the stretch: where the key is expected to go down."""
    quiet_frames: int
    """Of the stretch: so many are surely without the note."""
    hold: FloatArray
    before: FloatArray
    """What sounds until the note may begin."""
    rate_hz: int
    hum_hz: float | None
    seen_seconds: float = _SEEN_SECONDS
    """So long after key-down the note is fitted to see when it becomes audible."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sounding:
    """What is held, and what it and the sound before it are made of."""

    factor: int
    """A frame of the hold for every so many of the take."""
    hold: FloatArray
    partials: Partials
    tail: Partials


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenAudible:
    """When a note becomes audible."""

    seconds: float
    """After key-down, the expected moment."""
    is_clear: bool
    """Seen in the take itself, less the tail; else in the fit, through noise."""
    is_abrupt: bool = False
    """It is many times louder some milliseconds later."""


def is_held_long(asked: Asked) -> bool:
    """Say whether a note is held for long enough to tell what it is made of."""
    return asked.off_seconds - asked.expected_seconds >= _LONG_HELD_SECONDS


def beginning_of(
    take: TakeAudio,
    levels: Levels,
    asked: Asked,
    hum_hz: float | None,
    reach_seconds: float = GUARD_SECONDS,
    *,
    may_be_short: bool = False,
) -> Beginning | None:
    """Return the beginning of a note whose key went down within reach of when it was asked for.

    may_be_short : it need not be held for long; enough to see it where the clock line is known.

    None where it is held too shortly, or too little of the take is there, to tell.
    """
    expected, rate = asked.expected_seconds, take.rate_hz
    held = asked.off_seconds - expected
    least = _LEAST_HELD_SECONDS if may_be_short else _LONG_HELD_SECONDS
    if held < least or expected < _LEAST_PAST_SECONDS + reach_seconds:
        return None

    def part(from_seconds: float, to_seconds: float) -> FloatArray:
        read = take.read(round(max(0.0, from_seconds) * rate), round(to_seconds * rate))
        return less_means(read, levels.course.offset)

    quiet = round((expected - reach_seconds) * rate)
    start, first = (
        max(0, quiet - round(seconds * rate)) for seconds in (_TAIL_SECONDS, _PAST_SECONDS)
    )
    read = part(start / rate, expected + reach_seconds + _SEEN_SECONDS)
    beginning = Beginning(
        stretch=read[first - start :],
        key_down_frame=round(expected * rate) - first,
        quiet_frames=quiet - first,
        hold=part(asked.off_seconds - min(_HOLD_SECONDS, _HOLD_SHARE * held), asked.off_seconds),
        before=read[: quiet - start],
        seen_seconds=_SEEN_SECONDS if is_held_long(asked) else _SHORTLY_SEEN_SECONDS,
        rate_hz=rate,
        hum_hz=hum_hz,
    )
    there_seconds = (len(beginning.stretch) - beginning.key_down_frame) / rate
    is_there = there_seconds > reach_seconds + _LEAST_SEEN_SECONDS and len(beginning.hold) > 0
    return beginning if is_there else None


def key_down_seconds(beginning: Beginning, nearest_seconds: float) -> float | None:
    """Return how long after the expected moment the key went down; None where no fit is good.

    nearest_seconds : what lies within so little is found by a parabola.
    """
    note = _coarse_note(beginning, _ROUGH_HZ)
    if note is None:
        return None
    near, reach = 0.0, -note.quiet_seconds
    ground = ground_of(note, reach + GROWN_SECONDS)
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
    note = _coarse_note(beginning, _ROUGH_HZ)
    if note is None:
        return None
    ground = ground_of(note, until_seconds)
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
    note = _fine_note(beginning)
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
        growth, fit = _plainest(growth, fit)
        seen = _grown_above(growth, fit_of(growth, prior_of(growth, fit)), threshold)
    return (
        seen if seen is not None and seen.seconds < _LATEST_SHARE * beginning.seen_seconds else None
    )


def _plainest(growth: Growth, fit: Fit) -> tuple[Growth, Fit]:
    """Return a growth by its first power alone, where what bends it beside that is but noise."""
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
    error = _SURE_ERRORS * np.sqrt(fit.left_power * np.maximum(variance, 0))
    grown = soxr.resample(courses @ fit.growing, 1, note.factor)
    size = frame_peaks(grown.reshape(-1, note.samples.shape[1]))
    seconds = growth.seconds[0] + np.arange(len(size)) / (note.rate_hz * note.factor)
    least = _RATHER_EARLY * threshold - np.interp(seconds, growth.seconds[::_ERROR_STEP], error)
    loud = size >= least
    if not loud.any():
        return None
    return SeenAudible(seconds=float(seconds[np.argmax(loud)]), is_clear=False)


def _fine_note(beginning: Beginning) -> CoarseNote | None:
    """Return what the fits need of a note, at the least rate that shows all there is to fit."""
    sounding = _sounding(beginning, _EVERY_PARTIAL_HZ)
    partials, tail = sounding.partials, sounding.tail.above(_softest(sounding.partials))
    highest = max(float(some.hz.max(initial=0.0)) for some in (partials, tail))
    return _coarse_note(beginning, max(_FINE_HZ, round(_ABOVE_PARTIALS * highest)), sounding)


def _sounding(beginning: Beginning, least_hz: int) -> _Sounding:
    """Return what the hold, and what sounds before the note, are made of, as seen at a rate."""
    factor = max(1, beginning.rate_hz // least_hz)
    hold, before = (_coarse(part, factor) for part in (beginning.hold, beginning.before))
    partials, tail = (partials_of(part, beginning.rate_hz / factor) for part in (hold, before))
    return _Sounding(factor=factor, hold=hold, partials=partials, tail=tail)


def _softest(partials: Partials) -> float:
    """Return the amplitude below which a partial of the tail is nothing beside those of a note."""
    return _TAIL_SHARE * float(partials.amplitudes.sum())


def _coarse(part: FloatArray, factor: float) -> FloatArray:
    """Return a frame for every so many."""
    import soxr

    return np.asarray(soxr.resample(part, factor, 1).reshape(-1, part.shape[1]), np.float64)


def _coarse_note(
    beginning: Beginning, least_hz: int, sounding: _Sounding | None = None
) -> CoarseNote | None:
    """Return what the fits need of a note, or None where its hold has no partials.

    sounding : as seen at a higher rate.
    """
    sounding = sounding or _sounding(beginning, least_hz)
    partials = sounding.partials
    if len(partials.hz) == 0:
        return None
    factor = max(1, beginning.rate_hz // least_hz)
    rate = beginning.rate_hz / factor
    stretch = _coarse(beginning.stretch, factor)
    quiet = beginning.quiet_frames // factor
    power = np.mean(stretch[:quiet] ** 2, axis=1) + 1e-20
    early, late = (float(half.mean()) for half in np.array_split(power, 2))
    high_power = float(
        np.mean(beginning.stretch[: beginning.quiet_frames] ** 2, dtype=np.float64) - power.mean()
    )
    softest = max(_softest(partials), _TAIL_IN_NOISE * math.sqrt(max(0.0, high_power)))
    hum = beginning.hum_hz
    return CoarseNote(
        samples=stretch,
        factor=factor,
        rate_hz=rate,
        seconds=np.arange(len(stretch)) / rate - beginning.key_down_frame / beginning.rate_hz,
        quiet_seconds=(beginning.quiet_frames - beginning.key_down_frame) / beginning.rate_hz,
        hold=_coarse(sounding.hold, factor / sounding.factor),
        partials=partials,
        tail=sounding.tail.above(softest),
        tail_decay=float(np.clip(math.log(early / late) / (quiet / rate), 0, _FASTEST_DECAY)),
        hum_hz=np.zeros(0) if hum is None else hum * np.array(HUM_PARTIALS),
        high_power=max(0.0, high_power),
    )


def _has_click(growth: Growth, fit: Fit) -> bool:
    """Say whether key-down is heard beside what grows from it."""
    ground = growth.ground
    heard = (ground.seconds >= 0) & (ground.seconds < _CLICK_SECONDS)
    grown = growth.courses[heard[-len(growth.courses) :]] @ fit.growing
    rest = ground.samples[heard] - ground.tail[heard] @ fit.ringing - grown
    return float(np.mean(rest**2)) > _CLICK_RATIO * max(fit.noise_power, fit.left_power)
