"""Lining a take up with its plan: the latency and the clock drift that explain its onsets.

Every pair of a planned note-on and a heard onset votes for a latency, at each of a grid of clock
drifts (a generalised Hough transform); the best places are refined by matching onsets one to one
and fitting a line, and where timing alone leaves a choice, pitch and level decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.slicing.course import FloatArray

_MOST_DRIFT = 1500e-6
_USUAL_DRIFT = 300e-6
_HIDDEN_WEIGHT = 0.25
_BIN_SECONDS = 0.02
_SMEAR_SECONDS = 0.04
SUDDEN_WINDOWS = (0.12, 0.06, 0.04)
"""Seconds within which an onset may be a note, round by round, for sudden onsets."""
SWELL_WINDOWS = (0.3, 0.2, 0.15)
"""The same for slow swells."""
_MOST_PLACES = 40
_WORTH = 0.75
"""A place explaining less than this share of what the best explains is not considered."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """take seconds = latency + (1 + drift) * plan seconds, and which onset is which note."""

    latency_seconds: float
    drift: float
    """A ratio, not millionths."""
    notes: FloatArray
    """Plan indexes that have an onset, rising."""
    onsets: FloatArray
    """For each of them, the index of its onset."""
    weight: float
    """Sum of the strengths of the matched onsets."""

    def take_seconds(self, plan_seconds: FloatArray) -> FloatArray:
        """Return where moments of the plan lie in the take."""
        return self.latency_seconds + (1 + self.drift) * plan_seconds


def possible_alignments(
    plan_seconds: FloatArray,
    onset_seconds: FloatArray,
    strengths: FloatArray,
    windows: Sequence[float] = SUDDEN_WINDOWS,
) -> tuple[Alignment, ...]:
    """Return the places in which the take may lie in the plan, best first; none without onsets.

    plan_seconds : note-ons, rising.
    onset_seconds, strengths : heard onsets, rising, and how sure each is (0..1).
    windows : how near an onset must lie to its note, in seconds, narrowing round by round.
    """
    if not len(plan_seconds) or not len(onset_seconds):
        return ()
    found: list[Alignment] = []
    for latency, drift in _places(plan_seconds, onset_seconds, strengths):
        start = Alignment(
            latency_seconds=latency,
            drift=drift,
            notes=np.zeros(0, int),
            onsets=np.zeros(0, int),
            weight=0.0,
        )
        refined = _refined(plan_seconds, onset_seconds, strengths, start, windows)
        if refined is not None and not any(_same(refined, other) for other in found):
            found.append(refined)
    if not found:
        return ()
    best = max(one.weight for one in found)
    worthy = [one for one in found if one.weight >= _WORTH * best]
    return tuple(sorted(worthy, key=lambda one: -one.weight))


def _same(one: Alignment, other: Alignment) -> bool:
    return abs(one.latency_seconds - other.latency_seconds) < 0.1


def _places(
    plan: FloatArray, onsets: FloatArray, strengths: FloatArray
) -> Sequence[tuple[float, float]]:
    """Return (latency, drift) of the highest heaps of votes, highest first."""
    # A plan of many notes is thinned so that the votes stay countable.
    step = max(1, len(plan) * len(onsets) // 400_000)
    voters = plan[::step]
    length = max(float(plan[-1] - plan[0]), 1.0)
    drift_step = _SMEAR_SECONDS / length
    count = int(np.ceil(_MOST_DRIFT / drift_step))
    low = float(onsets[0] - plan[-1] * (1 + _MOST_DRIFT)) - 1.0
    high = float(onsets[-1] - plan[0] * (1 - _MOST_DRIFT)) + 1.0
    bins = int(np.ceil((high - low) / _BIN_SECONDS)) + 1
    weights = np.broadcast_to(strengths, (len(voters), len(onsets))).ravel()
    best, best_drift = np.zeros(bins), np.zeros(bins)
    for drift in np.arange(-count, count + 1) * drift_step:
        latencies = (onsets[None, :] - (1 + drift) * voters[:, None]).ravel()
        votes = np.bincount(((latencies - low) / _BIN_SECONDS).astype(int), weights, bins)
        votes[1:-1] = votes[:-2] + votes[1:-1] + votes[2:]
        better = votes > best + 1e-9
        best[better], best_drift[better] = votes[better], drift
    places: list[tuple[float, float]] = []
    highest = float(best.max())
    for _ in range(_MOST_PLACES):
        top = int(np.argmax(best))
        if best[top] <= 0 or best[top] < 0.5 * highest:
            break
        places.append((low + (top + 0.5) * _BIN_SECONDS, float(best_drift[top])))
        best[max(0, top - 4) : top + 5] = 0
    return places


def _refined(
    plan: FloatArray,
    onsets: FloatArray,
    strengths: FloatArray,
    start: Alignment,
    windows: Sequence[float],
) -> Alignment | None:
    """Match one to one and fit a line, with a window that narrows; None when nothing matches."""
    best = start
    for window in windows:
        notes, heard = _matched(best.take_seconds(plan), onsets, strengths, window)
        if not len(notes):
            return None
        latency, drift = fitted_line(
            plan[notes], onsets[heard], strengths[heard], best.latency_seconds, best.drift
        )
        best = Alignment(
            latency_seconds=latency,
            drift=drift,
            notes=notes,
            onsets=heard,
            weight=float(strengths[heard].sum()),
        )
    return best


def _matched(
    expected: FloatArray, onsets: FloatArray, strengths: FloatArray, window: float
) -> tuple[FloatArray, FloatArray]:
    """Return indexes of the notes and the strongest, else nearest, onset within the window."""
    first = np.searchsorted(onsets, expected - window)
    end = np.searchsorted(onsets, expected + window)
    notes, heard, used = [], [], -1
    for note in range(len(expected)):
        choices = range(max(int(first[note]), used + 1), int(end[note]))
        if len(choices):
            used = max(
                choices, key=lambda i: strengths[i] - abs(onsets[i] - expected[note]) / window
            )
            notes.append(note)
            heard.append(used)
    return np.array(notes, int), np.array(heard, int)


def fitted_line(
    plan: FloatArray,
    heard: FloatArray,
    weights: FloatArray,
    latency: float,
    drift: float,
    hidden: FloatArray | None = None,
) -> tuple[float, float]:
    """Return latency and drift by weighted least squares with Tukey's biweight (five rounds).

    hidden : which of the notes a tail may hide for a while; they are heard too late rather than too
    early, and those above the line weigh less (expectiles, W. Newey, J. Powell, 1987).

    The drift has a Gaussian prior of 300 ppm around 0, which weighs in only where few or blurred
    onsets say little. With fewer than three notes, or notes within one second, it is kept as it is.
    """
    weights = np.maximum(weights / weights.max(), 1e-3)
    fits_drift = len(plan) >= 3 and float(np.ptp(plan)) > 1.0
    for turn in range(5):
        rest = heard - latency - (1 + drift) * plan
        middle = float(np.median(rest))
        scale = max(1.4826 * float(np.median(np.abs(rest - middle))), 2e-4)
        robust = weights * np.clip(1 - ((rest - middle) / (6 * scale)) ** 2, 0, 1) ** 2
        if hidden is not None:
            above = rest > (middle if turn == 0 else 0.0)
            robust = np.where(hidden & above, _HIDDEN_WEIGHT * robust, robust)
        plan_mean = float((robust * plan).sum() / robust.sum())
        rest_mean = float((robust * rest).sum() / robust.sum())
        slope = 0.0
        if fits_drift:
            prior = (scale / _USUAL_DRIFT) ** 2
            spread = float((robust * (plan - plan_mean) ** 2).sum())
            product = float((robust * (plan - plan_mean) * (rest - rest_mean)).sum())
            slope = (product - prior * drift) / (spread + prior)
        drift = float(np.clip(drift + slope, -2 * _MOST_DRIFT, 2 * _MOST_DRIFT))
        latency += rest_mean - slope * plan_mean
    return latency, drift
