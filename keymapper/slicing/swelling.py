"""The first moments of a slow note: partials that grow from key-down on, over what still rings.

What the note holds later says which frequencies it is made of, and how strong each of them gets;
what sounds before says the same of the tail it begins under. How the ones grow from nothing while
the others die away is one linear least-squares fit, held to the strengths of the hold where noise
would mislead it (a ridge, A. Hoerl, R. Kennard, 1970). Of every moment at which the key may have
gone down, the one that leaves least is taken; and the partials that grow are the beginning of the
note without noise and without the tail, so that the first frame at the audible level can be seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from keymapper.slicing.background import HUM_PARTIALS
from keymapper.slicing.course import FloatArray, TakeAudio
from keymapper.slicing.levels import Levels
from keymapper.slicing.onset import AUDIBLE_RATIO, GUARD_SECONDS
from keymapper.slicing.partials import Partials, partials_of, waves
from keymapper.slicing.timing import ABRUPT_RATIO, ABRUPT_SECONDS, Asked

_FINE_HZ, _ROUGH_HZ = 12_000, 4_000
"""Least rates: to see a frame, and to draw a line through key-downs."""
_GROWING = (1, 2, 3)
"""Powers of the time since key-down: partials grow straight, and bent."""
_RINGING = (0, 1, 2)
"""Powers of the time by which a tail differs from partials that all die away alike."""
_FASTEST_DECAY = 40.0
"""Nepers a second."""
_TAIL_SHARE, _TAIL_IN_NOISE = 5e-4, 0.5
"""Softer than these shares of the held note, and of the noise, a partial of the tail is nothing."""
_RIDGE, _HELD_RIDGE = 1e-6, 1e-4
_GROWN_SECONDS, _LEAST_GROWN_SECONDS = 0.25, 0.1
"""Looked at for key-down, after it."""
_SEEN_SECONDS = 0.4
"""Looked at for the first audible frame."""
_BEND = (0.0, 0.5, 0.3)
"""Of its strength, what the growth of any partial is bent by (see `_GROWING`)."""
_HOLD_SECONDS, _HOLD_SHARE = 2.0, 0.7
_LEAST_HELD_SECONDS = 1.0
_PAST_SECONDS, _LEAST_PAST_SECONDS = 0.25, 0.06
_TAIL_SECONDS = 0.8
"""Looked at for what the tail is made of."""
_STEPS, _PARABOLA_SECONDS = 7, 0.012
"""Of a search; steps that are shorter have their best moment between them."""
_MOST_LEFT = 0.05
"""Of the power of the fit: what may be left beside the noise."""
_SURELY = 4.0
"""So many times what noise alone would give a fit, it must hold."""
_OVER_NOISE = 8.0
"""An audible level so many times the noise is seen in the take itself, less the tail."""
_RATHER_EARLY = 0.98
_SURE_ERRORS = 1.1
"""Of the audible level, less so many errors of the fit."""
_ERROR_STEP = 8
"""The error of a fit is taken at every eighth frame."""
_LATEST_SHARE = 0.8
"""Of the fit; near its end a growth bends as it likes."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenAudible:
    """When a note becomes audible."""

    seconds: float
    """After key-down, the expected moment."""
    is_clear: bool
    """Seen in the take itself, less the tail; else in the fit, through noise."""
    is_abrupt: bool = False
    """It is many times louder some milliseconds later."""


def beginning_of(
    take: TakeAudio,
    levels: Levels,
    asked: Asked,
    hum_hz: float | None,
    reach_seconds: float = GUARD_SECONDS,
) -> Beginning | None:
    """Return the beginning of a note whose key went down within reach of when it was asked for.

    None where it is held too shortly, or too little of the take is there, to tell.
    """
    expected, rate = asked.expected_seconds, take.rate_hz
    held = asked.off_seconds - expected
    if held < _LEAST_HELD_SECONDS or expected < _LEAST_PAST_SECONDS + reach_seconds:
        return None

    def part(from_seconds: float, to_seconds: float) -> FloatArray:
        read = take.read(round(max(0.0, from_seconds) * rate), round(to_seconds * rate))
        return np.asarray(read.astype(np.float64) - levels.course.offset)

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
        rate_hz=rate,
        hum_hz=hum_hz,
    )
    there_seconds = (len(beginning.stretch) - beginning.key_down_frame) / rate
    is_there = there_seconds > reach_seconds + _LEAST_GROWN_SECONDS and len(beginning.hold) > 0
    return beginning if is_there else None


def key_down_seconds(beginning: Beginning, nearest_seconds: float) -> float | None:
    """Return how long after the expected moment the key went down; None where no fit is good.

    nearest_seconds : what lies within so little is found by a parabola.
    """
    note = _coarse_note(beginning, _ROUGH_HZ)
    if note is None:
        return None
    near, reach = 0.0, -note.quiet_seconds
    ground = _ground(note, reach + _GROWN_SECONDS)
    while reach > nearest_seconds:
        tried = near + np.linspace(-reach, reach, _STEPS)
        powers = [_fit(ground, float(moment)).power for moment in tried]
        best, step = int(np.argmax(powers)), 2 * reach / (_STEPS - 1)
        near, inside = float(tried[best]), 0 < best < _STEPS - 1
        if not inside and reach == -note.quiet_seconds:
            return None
        if inside and step < _PARABOLA_SECONDS:
            low, middle, high = powers[best - 1 : best + 2]
            near += 0.5 * step * (high - low) / max(2 * middle - low - high, 1e-30)
        reach = step / 3 if step < _PARABOLA_SECONDS else step
    return near if _fit(ground, near).is_good else None


def seen_audible(beginning: Beginning, peak: float) -> SeenAudible | None:
    """Return when a note becomes audible, its key going down at the expected moment.

    peak : of the note, with the noise it is held in.

    None where no fit is good enough to tell, where it begins in noise with a click, or where it is
    audible too late to be seen.
    """
    note = _coarse_note(beginning, _FINE_HZ)
    if note is None:
        return None
    ground = _ground(note, _SEEN_SECONDS)
    fit = _fit(ground, 0.0)
    if not fit.is_good:
        return None
    fit = _fit(ground, 0.0, _prior(ground, fit))
    noise = math.sqrt(note.high_power + fit.noise_power)
    threshold = max(AUDIBLE_RATIO * (peak - _PEAK_NOISE * noise), noise)
    if threshold > _OVER_NOISE * noise:
        seen = _seen_above(beginning, note, ground.tail @ fit.ringing, threshold)
    elif _has_click(ground, fit):
        return None
    else:
        seen = _grown_above(ground, fit, threshold)
    return seen if seen is not None and seen.seconds < _LATEST_SHARE * _SEEN_SECONDS else None


def _seen_above(
    beginning: Beginning, note: _CoarseNote, tail: FloatArray, threshold: float
) -> SeenAudible | None:
    """Return when the take less the tail (coarse) reaches a level."""
    import soxr

    fine = soxr.resample(tail, 1, note.factor).reshape(-1, tail.shape[1])
    size = np.abs(beginning.stretch[: len(fine)] - fine[: len(beginning.stretch)]).max(axis=1)
    seconds = note.seconds[0] + np.arange(len(size)) / beginning.rate_hz
    loud = (size >= _RATHER_EARLY * threshold) & (seconds >= -_SOONER_SECONDS)
    if not loud.any():
        return None
    first = int(np.argmax(loud))
    soon = size[first : first + round(ABRUPT_SECONDS * beginning.rate_hz)].max()
    return SeenAudible(
        seconds=float(seconds[first]), is_clear=True, is_abrupt=soon >= ABRUPT_RATIO * threshold
    )


def _grown_above(ground: _Ground, fit: _Fit, threshold: float) -> SeenAudible | None:
    """Return when the note, as it grows, reaches a level, but for what noise does to it."""
    courses = _growing(ground, 0.0)
    seen = courses[::_ERROR_STEP]
    variance = np.einsum("ij,ji->i", seen, linalg.solve(fit.precision, seen.T, assume_a="pos"))
    frames = np.arange(len(courses))
    error = _SURE_ERRORS * np.sqrt(fit.left_power * np.maximum(variance, 0))
    error = np.interp(frames, frames[::_ERROR_STEP], error)
    size = np.abs(courses @ fit.growing).max(axis=1)
    loud = size >= _RATHER_EARLY * threshold - error
    if not loud.any():
        return None
    seconds = float(ground.seconds[-len(loud) :][np.argmax(loud)])
    return SeenAudible(seconds=seconds, is_clear=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _CoarseNote:
    """The beginning at a coarse rate, and the partials of the note and of what rings before.

    Times are seconds from the expected key-down.
    """

    samples: FloatArray
    """Shape (frames, channels); a frame for every ``factor`` of the take."""
    factor: int
    rate_hz: float
    seconds: FloatArray
    """Of each frame."""
    quiet_seconds: float
    """Up to here, nothing of the note sounds."""
    hold: FloatArray
    """Shape (frames, channels)."""
    partials: Partials
    """Of the hold."""
    tail: Partials
    tail_decay: float
    """Of all its partials, nepers a second."""
    hum_hz: FloatArray
    high_power: float
    """Of what sounds before and is too high for the coarse rate."""


def _coarse_note(beginning: Beginning, least_hz: int) -> _CoarseNote | None:
    """Return what the fits need of a note, or None where its hold has no partials."""
    import soxr

    factor = max(1, beginning.rate_hz // least_hz)
    rate = beginning.rate_hz / factor
    stretch, hold, before = (
        soxr.resample(part, factor, 1).reshape(-1, part.shape[1])
        for part in (beginning.stretch, beginning.hold, beginning.before)
    )
    partials = partials_of(hold, rate)
    if len(partials.hz) == 0:
        return None
    quiet = beginning.quiet_frames // factor
    power = np.mean(stretch[:quiet] ** 2, axis=1) + 1e-20
    early, late = (float(half.mean()) for half in np.array_split(power, 2))
    high_power = float(np.mean(beginning.stretch[: beginning.quiet_frames] ** 2) - power.mean())
    softest = max(
        _TAIL_SHARE * float(partials.amplitudes.sum()),
        _TAIL_IN_NOISE * math.sqrt(max(0.0, high_power)),
    )
    hum = beginning.hum_hz
    return _CoarseNote(
        samples=stretch,
        factor=factor,
        rate_hz=rate,
        seconds=np.arange(len(stretch)) / rate - beginning.key_down_frame / beginning.rate_hz,
        quiet_seconds=(beginning.quiet_frames - beginning.key_down_frame) / beginning.rate_hz,
        hold=hold,
        partials=partials,
        tail=partials_of(before, rate).above(softest),
        tail_decay=float(np.clip(math.log(early / late) / (quiet / rate), 0, _FASTEST_DECAY)),
        hum_hz=np.zeros(0) if hum is None else hum * np.array(HUM_PARTIALS),
        high_power=max(0.0, high_power),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ground:
    """What is the same in all fits of a note, up to some seconds after key-down."""

    note: _CoarseNote
    samples: FloatArray
    seconds: FloatArray
    waves: FloatArray
    """Of the note: cosine and sine of every partial, shape (frames, 2 * partials)."""
    tail: FloatArray
    """The courses that what sounds before may take, shape (frames, courses)."""
    tail_root: FloatArray
    """Lower Cholesky factor of the products of these."""
    tail_heard: FloatArray
    """Of the samples, by that factor."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """How strongly the courses of note and tail are heard in every channel."""

    growing: FloatArray
    """Shape (2 * partials * powers, channels)."""
    ringing: FloatArray
    precision: FloatArray
    """Of the growing ones, for noise of RMS 1."""
    power: float
    """Sum of squares that the note explains, beside the tail."""
    noise_power: float
    """Mean square of what the tail leaves before the note."""
    left_power: float
    """Mean square of what neither explains."""
    is_good: bool


def _ground(note: _CoarseNote, until_seconds: float) -> _Ground:
    frames = int(np.searchsorted(note.seconds, until_seconds, side="right"))
    samples, rate = note.samples[:frames], note.rate_hz
    dying = waves(note.tail.hz, note.tail_decay, len(samples), rate)
    along = np.linspace(0, 1, len(samples))[:, None]
    steady = [np.ones_like(along), waves(note.hum_hz, 0.0, len(samples), rate)]
    tail = np.concatenate([*steady, *(dying * along**power for power in _RINGING)], axis=1)
    root = linalg.cholesky(_ridged(tail.T @ tail), lower=True)
    return _Ground(
        note=note,
        samples=samples,
        seconds=note.seconds[:frames],
        waves=waves(note.partials.hz, 0.0, len(samples), rate),
        tail=tail,
        tail_root=root,
        tail_heard=linalg.solve_triangular(root, tail.T @ samples, lower=True),
    )


def _fit(ground: _Ground, key_down: float, prior: FloatArray | None = None) -> _Fit:
    """Fit partials that grow from nothing at ``key_down``, and the tail.

    prior : precision of every growing strength about 0, for noise of RMS 1.
    """
    courses = _growing(ground, key_down)
    samples, tail = ground.samples[-len(courses) :], ground.tail[-len(courses) :]
    shared = linalg.solve_triangular(ground.tail_root, tail.T @ courses, lower=True)
    precision = _ridged(courses.T @ courses - shared.T @ shared)
    if prior is not None:
        precision[np.diag_indices_from(precision)] += prior
    heard = courses.T @ samples - shared.T @ ground.tail_heard
    growing = linalg.solve(precision, heard, assume_a="pos")
    power = float((heard * growing).sum())
    tail_power = float((ground.tail_heard**2).sum())
    left = float((ground.samples**2).sum()) - tail_power - power
    ringing = linalg.solve_triangular(
        ground.tail_root, ground.tail_heard - shared @ growing, lower=True, trans=1
    )
    quiet = int(np.searchsorted(ground.seconds, ground.note.quiet_seconds))
    rest = ground.samples[:quiet] - ground.tail[:quiet] @ ringing
    noise_power = float(np.mean(rest**2))
    by_chance = noise_power * growing.size
    return _Fit(
        growing=growing,
        ringing=ringing,
        precision=precision,
        power=power,
        noise_power=noise_power,
        left_power=left / ground.samples.size,
        is_good=power > _SURELY * by_chance
        and left - noise_power * ground.samples.size < _MOST_LEFT * power,
    )


def _prior(ground: _Ground, fit: _Fit) -> FloatArray:
    """Return how precisely the growing strengths are known to lie about 0, before they are fitted.

    A note that is faded in as a straight line grows by what its hold is made of: where a partial
    stands still there, it grows straight, and where it beats, it bends. They are as likely to be
    as large as they are in the hold, all by one ratio.
    """
    courses = _growing(ground, 0.0)
    last = len(courses) * 7 // 10
    grown = ground.seconds[-len(courses) :][last:] / _GROWN_SECONDS
    level = float(np.mean((courses[last:] @ fit.growing) ** 2) / np.mean(grown**2))
    held = _held_powers(ground.note)
    bent = np.square(_BEND)[:, None] * held[0]
    expected = (held + bent) * (level / float(held[0].sum()))
    return np.asarray(fit.left_power / np.stack([expected, expected], axis=1).ravel())


def _held_powers(note: _CoarseNote) -> FloatArray:
    """Return the mean squares of the hold's partials, and of how they change while they are held.

    Shape (powers, partials): steady, growing straight and bent within `_SEEN_SECONDS`.
    """
    frames = min(len(note.hold), round(_SEEN_SECONDS * note.rate_hz))
    along = np.arange(frames)[:, None] / (note.rate_hz * _GROWN_SECONDS)
    steady = waves(note.partials.hz, 0.0, frames, note.rate_hz)
    courses = np.concatenate([steady * along ** (power - 1) for power in _GROWING], axis=1)
    starts = range(0, len(note.hold) - frames + 1, max(1, frames // 2))
    pieces = np.concatenate([note.hold[at : at + frames] for at in starts], axis=1)
    products = courses.T @ courses
    products[np.diag_indices_from(products)] *= 1 + _HELD_RIDGE
    strengths = linalg.solve(products, courses.T @ pieces, assume_a="pos")
    powers = np.mean(strengths**2, axis=1).reshape(len(_GROWING), 2, -1)
    return np.asarray(powers.mean(axis=1))


def _has_click(ground: _Ground, fit: _Fit) -> bool:
    """Say whether key-down is heard beside what grows from it."""
    heard = (ground.seconds >= 0) & (ground.seconds < _CLICK_SECONDS)
    courses = _growing(ground, 0.0)
    grown = courses[heard[-len(courses) :]] @ fit.growing
    rest = ground.samples[heard] - ground.tail[heard] @ fit.ringing - grown
    return float(np.mean(rest**2)) > _CLICK_RATIO * max(fit.noise_power, fit.left_power)


def _growing(ground: _Ground, key_down: float) -> FloatArray:
    """Return the courses of partials that grow from a moment on; before, all are 0.

    Shape (frames from that moment on, 2 * partials * powers).
    """
    first = int(np.searchsorted(ground.seconds, key_down))
    grown = (ground.seconds[first:] - key_down)[:, None] / _GROWN_SECONDS
    courses = [ground.waves[first:] * grown**power for power in _GROWING]
    return np.concatenate(courses, axis=1)


def _ridged(products: FloatArray) -> FloatArray:
    """Return products of courses of which none can be mistaken for a sum of others."""
    diagonal = np.diagonal(products)
    ridge = _RIDGE * np.maximum(diagonal, 1e-3 * diagonal.mean())
    return np.asarray(products + np.diag(ridge))
