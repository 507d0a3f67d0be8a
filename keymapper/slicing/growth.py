"""Partials that grow from key-down on, fitted to the beginning of a note, with what still rings.

What the note holds later says which frequencies it is made of, and how strong each of them gets;
what sounds before says the same of the tail it begins under. How the ones grow from nothing while
the others die away is one linear least-squares fit, held to the strengths of the hold where noise
would mislead it (a ridge, A. Hoerl, R. Kennard, 1970).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from keymapper.slicing.course import FloatArray
from keymapper.slicing.partials import Partials, waves

GROWN_SECONDS = 0.25
"""The time in which strengths of growing are counted."""
GROWING: Sequence[int] = (1, 2, 3)
"""Powers of the time since key-down: partials grow straight, and bent."""
_RINGING = (0, 1, 2)
"""Powers of the time by which a tail differs from partials that all die away alike."""
_RIDGE, _HELD_RIDGE = 1e-6, 1e-4
_TAIL_BEND = (0.5, 0.3)
"""Of the strength of its partials, what a tail is bent by (see `_RINGING`)."""
_BEND = (0.0, 0.5, 0.3)
"""Of its strength, what the growth of any partial is bent by (see `GROWING`)."""
_MOST_LEFT = 0.05
"""Of the power of the fit: what may be left beside the noise."""
_SURELY = 4.0
"""So many times what noise alone would give a fit, it must hold."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoarseNote:
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """What is the same in all fits of a note, up to some seconds after key-down."""

    note: CoarseNote
    samples: FloatArray
    seconds: FloatArray
    waves: FloatArray
    """Of the note: cosine and sine of every partial, shape (frames, 2 * partials)."""
    tail: FloatArray
    """The courses that what sounds before may take, shape (frames, courses)."""
    tail_root: FloatArray
    """Lower Cholesky factor of the products of these, and of what is known of them before."""
    tail_heard: FloatArray
    """Of the samples, by that factor."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Growth:
    """The courses of partials that grow from one moment on, as they are heard beside the tail."""

    ground: Ground
    way: Sequence[int]
    """The powers of the time since that moment by which they grow."""
    courses: FloatArray
    """Shape (frames from that moment on, 2 * partials * powers)."""
    in_tail: FloatArray
    """Products of these with the courses of the tail, by its root."""
    precision: FloatArray
    """Of their strengths, for noise of RMS 1."""
    heard: FloatArray
    """Products with the samples, beside the tail."""

    @property
    def seconds(self) -> FloatArray:
        """Return the time of each frame."""
        return self.ground.seconds[-len(self.courses) :]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """How strongly the courses of note and tail are heard in every channel."""

    growing: FloatArray
    """Shape (2 * partials * powers, channels)."""
    ringing: FloatArray
    precision: FloatArray
    """Of the growing ones, for noise of RMS 1."""
    noise_power: float
    """Mean square of what the tail leaves before the note."""
    left_power: float
    """Mean square of what neither explains."""
    is_good: bool


def ground_of(note: CoarseNote, until_seconds: float) -> Ground:
    """Return what all fits of a note share, up to so long after key-down."""
    frames = int(np.searchsorted(note.seconds, until_seconds, side="right"))
    samples, rate = note.samples[:frames], note.rate_hz
    dying = waves(note.tail.hz, note.tail_decay, len(samples), rate)
    along = np.linspace(0, 1, len(samples))[:, None]
    steady = [np.ones_like(along), waves(note.hum_hz, 0.0, len(samples), rate)]
    tail = np.concatenate([*steady, *(dying * along**power for power in _RINGING)], axis=1)
    products = _ridged(tail.T @ tail) + np.diag(_prior_of_tail(note, tail))
    root = linalg.cholesky(products, lower=True)
    return Ground(
        note=note,
        samples=samples,
        seconds=note.seconds[:frames],
        waves=waves(note.partials.hz, 0.0, len(samples), rate),
        tail=tail,
        tail_root=root,
        tail_heard=linalg.solve_triangular(root, tail.T @ samples, lower=True),
    )


def _prior_of_tail(note: CoarseNote, tail: FloatArray) -> FloatArray:
    """Return how precisely its courses are known to lie about 0, for noise of RMS 1.

    Through noise, partials that may bend as they like would take the beginning of the note for
    their own. What the tail leaves before the note is the noise.
    """
    quiet = int(np.searchsorted(note.seconds, note.quiet_seconds))
    samples, courses = note.samples[:quiet], tail[:quiet]
    heard = courses.T @ samples
    ringing = linalg.solve(_ridged(courses.T @ courses), heard, assume_a="pos")
    noise_power = max(0.0, float((samples**2).sum() - (heard * ringing).sum()) / samples.size)
    bends = np.outer(_TAIL_BEND, np.tile(note.tail.amplitudes, 2)).ravel()
    free = np.zeros(tail.shape[1] - len(bends))
    return np.concatenate([free, noise_power / np.maximum(bends**2, 1e-20)])


def growth_from(ground: Ground, key_down: float, way: Sequence[int] = GROWING) -> Growth:
    """Return what is heard of partials that grow from nothing at a moment; before, all are 0."""
    first = int(np.searchsorted(ground.seconds, key_down))
    grown = (ground.seconds[first:] - key_down)[:, None] / GROWN_SECONDS
    courses = np.concatenate([ground.waves[first:] * grown**power for power in way], axis=1)
    in_tail, precision, heard = beside_tail(
        ground,
        courses.T @ courses,
        ground.tail[first:].T @ courses,
        courses.T @ ground.samples[first:],
    )
    return Growth(
        ground=ground,
        way=way,
        courses=courses,
        in_tail=in_tail,
        precision=precision,
        heard=heard,
    )


def beside_tail(
    ground: Ground, own: FloatArray, with_tail: FloatArray, with_samples: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how courses lie in the tail, their precision beside it, and what is heard of them.

    All are products of the growing courses: with themselves, with the tail's, with the samples.
    """
    in_tail = linalg.solve_triangular(ground.tail_root, with_tail, lower=True)
    precision = _ridged(own - in_tail.T @ in_tail)
    return in_tail, precision, with_samples - in_tail.T @ ground.tail_heard


def fit_of(growth: Growth, prior: FloatArray | None = None) -> Fit:
    """Fit growing partials and the tail.

    prior : precision of every growing strength about 0, for noise of RMS 1.
    """
    ground, precision, heard = growth.ground, growth.precision, growth.heard
    if prior is not None:
        precision = precision + np.diag(prior)
    growing = linalg.solve(precision, heard, assume_a="pos")
    power = float((heard * growing).sum())
    tail_power = float((ground.tail_heard**2).sum())
    left = float((ground.samples**2).sum()) - tail_power - power
    ringing = linalg.solve_triangular(
        ground.tail_root, ground.tail_heard - growth.in_tail @ growing, lower=True, trans=1
    )
    quiet = int(np.searchsorted(ground.seconds, ground.note.quiet_seconds))
    rest = ground.samples[:quiet] - ground.tail[:quiet] @ ringing
    noise_power = float(np.mean(rest**2))
    by_chance = noise_power * growing.size
    return Fit(
        growing=growing,
        ringing=ringing,
        precision=precision,
        noise_power=noise_power,
        left_power=left / ground.samples.size,
        is_good=power > _SURELY * by_chance
        and left - noise_power * ground.samples.size < _MOST_LEFT * power,
    )


def prior_of(growth: Growth, fit: Fit) -> FloatArray:
    """Return how precisely the growing strengths are known to lie about 0, before they are fitted.

    A note that is faded in as a straight line grows by what its hold is made of: where a partial
    stands still there, it grows straight, and where it beats, it bends. They are as likely to be
    as large as they are in the hold, all by one ratio. The same holds along a curve.

    fit : without a prior; it tells the ratio.
    """
    last = len(growth.courses) * 7 // 10
    grown = growth.seconds[last:] / GROWN_SECONDS
    straight = grown ** growth.way[0]
    level = float(np.mean((growth.courses[last:] @ fit.growing) ** 2) / np.mean(straight**2))
    held = held_powers(growth.ground.note, float(growth.seconds[-1]))
    bent = np.square(_BEND)[:, None] * held[0]
    expected = (held + bent)[: len(growth.way)] * (level / float(held[0].sum()))
    return np.asarray(fit.left_power / np.stack([expected, expected], axis=1).ravel())


def held_powers(note: CoarseNote, seconds: float) -> FloatArray:
    """Return the mean squares of the hold's partials, and of how they change in so long.

    Shape (powers, partials): what stands still, what grows straight, and what bends.
    """
    frames = min(len(note.hold), round(seconds * note.rate_hz))
    along = np.arange(frames)[:, None] / (note.rate_hz * GROWN_SECONDS)
    steady = waves(note.partials.hz, 0.0, frames, note.rate_hz)
    courses = np.concatenate([steady * along ** (power - 1) for power in GROWING], axis=1)
    starts = range(0, len(note.hold) - frames + 1, max(1, frames // 2))
    pieces = np.concatenate([note.hold[at : at + frames] for at in starts], axis=1)
    products = courses.T @ courses
    products[np.diag_indices_from(products)] *= 1 + _HELD_RIDGE
    strengths = linalg.solve(products, courses.T @ pieces, assume_a="pos")
    powers = np.mean(strengths**2, axis=1).reshape(len(GROWING), 2, -1)
    return np.asarray(powers.mean(axis=1))


def _ridged(products: FloatArray) -> FloatArray:
    """Return products of courses of which none can be mistaken for a sum of others."""
    diagonal = np.diagonal(products)
    ridge = _RIDGE * np.maximum(diagonal, 1e-3 * diagonal.mean())
    return np.asarray(products + np.diag(ridge))
