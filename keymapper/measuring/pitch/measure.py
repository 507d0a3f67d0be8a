"""The pitch of a note: roughly, exactly, its course, and what is in doubt."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from keymapper.measuring.pitch.candidates import find_candidates
from keymapper.measuring.pitch.course import Course, course_of
from keymapper.measuring.pitch.error_bar import tuning_error
from keymapper.measuring.pitch.features import (
    candidate_features,
    candidate_scores,
    load_weights,
    probabilities,
)
from keymapper.measuring.pitch.fine import FinePitch, fine_pitch
from keymapper.measuring.pitch.phase_line import phase_line
from keymapper.measuring.pitch.second_opinion import second_opinion
from keymapper.measuring.pitch.spectra import average_spectrum
from keymapper.measuring.pitch.sustain import Array, Sustain, find_sustain, mono_mix
from keymapper.measuring.pitch.swing import drift_is_there
from keymapper.model.keys import HIGHEST_KEY, LOWEST_KEY, hz_to_key, is_key
from keymapper.model.pitch import FIRST_PARTIAL, PERIOD, Pitch

SURE = 0.97
LEAST_CONFIDENCE = 0.90
WIDEST_ERROR_CENTS = 5.0
COARSE_ERROR_CENTS = 15.0
LEAST_PERIODS = 4.0
LEAST_WIDTH_CENTS = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Coarse:
    """The likeliest fundamental, its probability, and the probability of no pitch at all."""

    f0_hz: float
    probability: float
    no_pitch: float


def measure_pitch(samples: Array, rate: float, *, reference_hz: float = 440.0) -> Pitch:
    """Return the pitch of one note, in cents against equal temperament, with its error bar.

    Coarse: candidates of two autocorrelations and a harmonic comb, judged by one softmax; a
    neural second opinion when that is unsure. Fine: a vote of the partials' frequencies. Course:
    the phase advance of the strongest harmonics.

    samples : float, shape (frames, channels), full scale 1.0; may be empty.
    rate : frames a second, 8000 to 192000.
    reference_hz : frequency of A4 (key 69).

    Silence, noise and sounds too short give a `Pitch` that is flagged as doubtful; nothing raises.
    """
    sustain = find_sustain(mono_mix(samples), float(rate))
    coarse = None if sustain is None else coarse_pitch(sustain)
    if sustain is None or coarse is None:
        return _no_pitch(reference_hz, 1.0)
    if coarse.no_pitch > LEAST_CONFIDENCE:
        return _no_pitch(reference_hz, coarse.no_pitch)
    fine = fine_pitch(sustain, coarse.f0_hz)
    course = None if fine is None else course_of(sustain, fine)
    return _pitch_of(sustain, coarse, fine, course, reference_hz)


def coarse_pitch(sustain: Sustain) -> Coarse | None:
    """Return the likeliest fundamental of a note; None when there is no candidate at all."""
    spectrum = average_spectrum(sustain)
    f0_hz = find_candidates(spectrum)
    if not len(f0_hz):
        return None
    weights = load_weights()
    scores = candidate_scores(candidate_features(spectrum, f0_hz), weights)
    odds = probabilities(scores)
    if odds.max() < SURE:
        odds = probabilities(scores + weights.second_opinion * second_opinion(sustain, f0_hz))
    best = int(np.argmax(odds[:-1]))
    return Coarse(f0_hz=float(f0_hz[best]), probability=float(odds[best]), no_pitch=float(odds[-1]))


def _pitch_of(
    sustain: Sustain,
    coarse: Coarse,
    fine: FinePitch | None,
    course: Course | None,
    reference_hz: float,
) -> Pitch:
    swing = course.swing if course else None
    glide = course.glide if course else None
    modulated = course is not None and course.modulated
    f0_hz, error = coarse.f0_hz, COARSE_ERROR_CENTS
    if fine is not None:
        exact = _exact(fine, course, sustain.end_frame / sustain.rate_hz)
        f0_hz, error = exact.f0_hz, exact.error_cents
    periods = f0_hz * sustain.seconds
    key = hz_to_key(f0_hz, reference_hz)
    root = math.floor(key + 0.5)
    found = {
        "unsure-key": coarse.probability < LEAST_CONFIDENCE or not is_key(root),
        "wide-error-bar": error > WIDEST_ERROR_CENTS,
        "few-periods": periods < LEAST_PERIODS,
        "partials-disagree": fine is None,
    }
    doubts = tuple(word for word, holds in found.items() if holds)
    drifts = swing is not None and drift_is_there(swing)
    width = 2 * fine.vote.spread_cents if fine and not modulated and not drifts else 0.0
    return Pitch(
        root_key=min(max(root, LOWEST_KEY), HIGHEST_KEY),
        tuning_cents=100 * (key - root),
        tuning_error_cents=error,
        f0_hz=f0_hz,
        pitch_confidence=coarse.probability,
        definition=PERIOD if fine is not None and fine.is_period else FIRST_PARTIAL,
        doubtful=bool(doubts),
        doubts=doubts,
        drift_cents_per_second=swing.drift_cents_per_second if swing and drifts else None,
        vibrato_hz=swing.rate_hz if swing and modulated else None,
        vibrato_depth_cents=swing.depth_cents if swing and modulated else None,
        glide_cents=glide.cents if glide else None,
        settle_seconds=glide.settle_seconds if glide else None,
        detuning_width_cents=width if width > LEAST_WIDTH_CENTS else None,
        inharmonicity=fine.vote.inharmonicity if fine and fine.is_period else None,
        periods=periods,
        reference_hz=reference_hz,
        moving_from_seconds=_moving_from_seconds(sustain, course),
    )


def _moving_from_seconds(sustain: Sustain, course: Course | None) -> float | None:
    if course is None or course.moving_from_seconds is None:
        return None
    return sustain.onset_frame / sustain.rate_hz + course.moving_from_seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Exact:
    """A frequency and the half width of its error bar."""

    f0_hz: float
    error_cents: float


def _exact(fine: FinePitch, course: Course | None, end_seconds: float) -> Exact:
    """Choose by the course: the middle of a vibrato, the slope of straight phases, the vote."""
    if course is not None and course.modulated:
        return Exact(f0_hz=course.centre_hz, error_cents=tuning_error(fine, course, None))
    line = phase_line(fine, end_seconds)
    f0_hz = fine.f0_hz if line is None else line.f0_hz
    return Exact(f0_hz=f0_hz, error_cents=tuning_error(fine, course, line))


def _no_pitch(reference_hz: float, probability: float) -> Pitch:
    return Pitch(
        root_key=None,
        tuning_cents=None,
        tuning_error_cents=None,
        f0_hz=None,
        pitch_confidence=1 - probability,
        definition=None,
        doubtful=True,
        doubts=("no-pitch",),
        drift_cents_per_second=None,
        vibrato_hz=None,
        vibrato_depth_cents=None,
        glide_cents=None,
        settle_seconds=None,
        detuning_width_cents=None,
        inharmonicity=None,
        periods=None,
        reference_hz=reference_hz,
    )
