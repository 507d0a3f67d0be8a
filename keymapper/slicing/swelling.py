"""The first moments of a slow note, as partials that grow together from key-down on.

What the note holds later says which frequencies it is made of. How strongly each of them grows
from nothing is a linear least-squares fit: of every moment at which the key may have gone down,
the one that leaves least is taken; and the fit is the beginning of the note without noise, and
without the tail it begins under, so that the first frame at the audible level can be seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.slicing.course import FloatArray, TakeAudio
from keymapper.slicing.levels import Levels
from keymapper.slicing.onset import GUARD_SECONDS, without_hum
from keymapper.slicing.timing import Asked

_COARSE_HZ = 12_000
_LOWEST_HZ, _HIGHEST_HZ = 25.0, 4800.0
_MOST_PARTIALS = 16
_ABOVE_MEDIAN = 30.0
_LEAST_SHARE = 1e-4
"""Of the strongest partial's power."""
_APART_BINS = 1.5
"""Closer than so many times the resolution of the hold, two partials are one that beats."""
_POWERS = (1, 2)
"""Of the time since key-down: partials grow straight, and bent."""
_RIDGE = 1e-6
_GROWN_SECONDS = 0.25
_HOLD_SECONDS = 1.0
_LEAST_HELD_SECONDS = 1.0
_LONGEST_SECONDS = 0.55
_PAST_SECONDS = 0.12
_REACH_SECONDS, _STEPS, _ROUNDS = 0.024, 7, 3
_MOST_LEFT = 0.25
"""Of the power of the fit: what may be left beside the noise, or tail, there was before."""
_SURELY = 4.0
"""So many times what noise alone would give a fit, it must hold."""
_RATHER_EARLY = 0.98
"""Of the audible level, less half the error of the fit."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SwellingNote:
    """The beginning of a slow note at a coarse rate, and the partials it is made of.

    ``samples`` : shape (frames, channels). ``seconds`` : of each frame, from the expected key-down.
    """

    samples: FloatArray
    seconds: FloatArray
    waves: FloatArray
    """Cosine and sine of every partial, shape (frames, 2 * partials)."""
    past_rms: float
    """Of what sounds before, at the full rate."""


def beginning_of(
    take: TakeAudio, levels: Levels, asked: Asked, hum_hz: float | None
) -> SwellingNote | None:
    """Return the beginning of a note asked for.

    None where it is held too shortly, or too little of the take is there, to tell.
    """
    held = asked.off_seconds - asked.expected_seconds
    if held < _LEAST_HELD_SECONDS or asked.expected_seconds < 2 * _PAST_SECONDS:
        return None
    rate, offset = take.rate_hz, levels.course.offset
    first = round((asked.expected_seconds - 2 * _PAST_SECONDS) * rate)
    key_down = round(asked.expected_seconds * rate) - first
    until = asked.expected_seconds + min(held, _LONGEST_SECONDS)
    stretch = take.read(first, round(until * rate)).astype(np.float64) - offset
    hold_first = round((asked.off_seconds - min(_HOLD_SECONDS, 0.5 * held)) * rate)
    hold = take.read(hold_first, round(asked.off_seconds * rate)).astype(np.float64) - offset
    if len(stretch) <= key_down or len(hold) == 0:
        return None
    stretch = without_hum(stretch, key_down - round(GUARD_SECONDS * rate), rate, hum_hz)
    return swelling_note(stretch, key_down, hold, rate)


def swelling_note(
    stretch: FloatArray, key_down_frame: int, hold: FloatArray, rate_hz: int
) -> SwellingNote | None:
    """Return what the fits need of a note, or None where its hold has no partials.

    stretch : float, shape (frames, channels), from before the key goes down on.
    hold : of the same channels, the note held.
    """
    import soxr

    partials = _partials_hz(hold, rate_hz)
    if len(partials) == 0:
        return None
    factor = max(1, round(rate_hz / _COARSE_HZ))
    first = max(0, key_down_frame - round(_PAST_SECONDS * rate_hz))
    samples = soxr.resample(stretch[first:], factor, 1)
    seconds = (first - key_down_frame + factor * np.arange(len(samples))) / rate_hz
    angles = 2 * np.pi * np.outer(seconds, partials)
    waves = np.concatenate([np.cos(angles), np.sin(angles)], axis=1)
    past = stretch[first : key_down_frame - round(GUARD_SECONDS * rate_hz)]
    return SwellingNote(
        samples=samples.reshape(len(seconds), -1),
        seconds=seconds,
        waves=waves,
        past_rms=float(np.sqrt(np.mean(past**2))),
    )


def key_down_seconds(note: SwellingNote) -> float | None:
    """Return how long after the expected moment the key went down; None where no fit is good."""
    near, reach = 0.0, _REACH_SECONDS
    for _ in range(_ROUNDS):
        tried = near + np.linspace(-reach, reach, _STEPS)
        fits = [_fit(note, float(moment), _GROWN_SECONDS) for moment in tried]
        best = int(np.argmax([fit.power for fit in fits]))
        if not 0 < best < _STEPS - 1 or not fits[best].is_good:
            return None
        near, reach = float(tried[best]), 2 * reach / (_STEPS - 1)
    return near


def audible_seconds(note: SwellingNote, threshold: float) -> float | None:
    """Return how long after key-down, the expected moment, the note first reaches a level.

    None where no fit is good enough to tell, or the level is reached too late to be seen.
    """
    grown = _GROWN_SECONDS
    while grown <= note.seconds[-1]:
        fit = _fit(note, 0.0, grown)
        if not fit.is_good:
            return None
        loud = np.abs(fit.wave).max(axis=1) >= _RATHER_EARLY * threshold - 0.5 * fit.error
        if loud.any() and fit.seconds[np.argmax(loud)] < 0.8 * grown:
            return float(fit.seconds[np.argmax(loud)])
        grown *= 2
    return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """The note as it grows, shape (frames, channels)."""

    wave: FloatArray
    seconds: FloatArray
    power: float
    """Sum of squares that the fit explains."""
    error: float
    """What noise does to the wave, RMS."""
    is_good: bool


def _fit(note: SwellingNote, key_down: float, grown_seconds: float) -> _Fit:
    """Fit partials that grow from nothing at ``key_down``; nothing of the note sounds before."""
    inside = (note.seconds >= -_REACH_SECONDS) & (note.seconds <= grown_seconds)
    seconds, samples, waves = note.seconds[inside], note.samples[inside], note.waves[inside]
    grown = np.maximum(seconds - key_down, 0)[:, None] / grown_seconds
    basis = np.concatenate([waves * grown**power for power in _POWERS], axis=1)
    gram, products = basis.T @ basis, basis.T @ samples
    gram[np.diag_indices_from(gram)] += _RIDGE * np.trace(gram) / len(gram)
    strengths = np.linalg.solve(gram, products)
    power = float((products * strengths).sum())
    past = float((note.samples[note.seconds < -_REACH_SECONDS] ** 2).mean())
    left = float((samples**2).sum()) - power - past * samples.size
    by_chance = past * len(gram) * samples.shape[1]
    return _Fit(
        wave=basis @ strengths,
        seconds=seconds,
        power=power,
        error=float(np.sqrt(past * len(gram) / len(samples))),
        is_good=power > _SURELY * by_chance and left < _MOST_LEFT * power,
    )


def _partials_hz(hold: FloatArray, rate_hz: int) -> FloatArray:
    """Return the frequencies of the strongest partials: peaks of the spectrum, by parabolas."""
    size = fft.next_fast_len(2 * len(hold), real=True)
    spectra = fft.rfft(hold * np.hanning(len(hold))[:, None], size, axis=0)
    hertz = np.arange(len(spectra)) * rate_hz / size
    heard = (hertz > _LOWEST_HZ) & (hertz < min(_HIGHEST_HZ, 0.4 * rate_hz))
    power = np.where(heard, (np.abs(spectra) ** 2).sum(axis=1), 0.0)
    if not power.any():
        return np.zeros(0)
    least = max(_ABOVE_MEDIAN * float(np.median(power[heard])), _LEAST_SHARE * float(power.max()))
    inner = power[1:-1]
    peaks = np.flatnonzero((inner > power[:-2]) & (inner >= power[2:]) & (inner > least)) + 1
    found: list[float] = []
    for peak in peaks[np.argsort(-power[peaks])]:
        low, top, high = np.log(power[peak - 1 : peak + 2] + 1e-30)
        place = (peak + 0.5 * (low - high) / (low - 2 * top + high)) * rate_hz / size
        if all(abs(place - other) > _APART_BINS * rate_hz / len(hold) for other in found):
            found.append(float(place))
        if len(found) == _MOST_PARTIALS:
            break
    return np.array(found)
