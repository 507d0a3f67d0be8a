"""The period with which a sustain repeats: of a beat, a tremolo, a rhythm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SHORTEST_HOPS = 8
LONGEST_PART = 0.6
NEARLY = 0.05
LEAST_LIKENESS, SURE_LIKENESS = 0.3, 0.9
LEAST_SWING, SURE_SWING = 0.4, 0.8
"""A sustain is unlike itself half a period on; a slow drift has ripples, but no such swing."""
FOLLOWED_PART = 0.75
REACH = 0.15
MOST_OFF = 0.12


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """A period in hops of the band levels, and how surely the sustain repeats with it, 0 to 1."""

    hops: float
    certainty: float

    def off(self, lengths_hops: np.ndarray) -> np.ndarray:
        """Return how far lengths are from a whole number of periods, in periods, at most 0.12.

        Weighted by the certainty of the period.
        """
        turns = lengths_hops / self.hops
        off = np.abs(turns - np.maximum(1, np.rint(turns)))
        return np.asarray(self.certainty * np.minimum(off, MOST_OFF))


NO_PERIOD = Period(hops=1.0, certainty=0.0)


def find_period(periodicity: np.ndarray) -> Period:
    """Return the shortest period that a sustain keeps to nearly as well as to any other.

    periodicity : autocorrelation of the band levels at every lag in hops.
    """
    inner = periodicity[1:-1]
    peaks = 1 + np.flatnonzero((inner >= periodicity[:-2]) & (inner > periodicity[2:]))
    peaks = peaks[(peaks >= SHORTEST_HOPS) & (peaks <= LONGEST_PART * len(periodicity))]
    peaks = peaks[periodicity[peaks] > LEAST_LIKENESS]
    if len(peaks) == 0:
        return NO_PERIOD
    first = int(peaks[np.argmax(periodicity[peaks] >= periodicity[peaks].max() - NEARLY)])
    likeness = float(periodicity[first])
    swing = likeness - float(periodicity[:first].min())
    certainty = np.interp(swing, [LEAST_SWING, SURE_SWING], [0, 1])
    certainty *= np.interp(likeness, [LEAST_LIKENESS, SURE_LIKENESS], [0, 1])
    return Period(hops=_exact_hops(periodicity, first), certainty=float(certainty))


def _exact_hops(periodicity: np.ndarray, first: int) -> float:
    """Follow the peaks at two, three, … periods, each of which tells the period better."""
    hops, count = _summit(periodicity, first), 1
    while (count + 1) * hops <= FOLLOWED_PART * len(periodicity):
        count += 1
        reach = max(2, round(REACH * hops))
        low = round(count * hops) - reach
        near = periodicity[low : low + 2 * reach + 1]
        best = int(np.argmax(near))
        if best in (0, len(near) - 1):
            break
        hops = _summit(periodicity, low + best) / count
    return hops


def _summit(values: np.ndarray, index: int) -> float:
    """Place of an inner peak between the points, by the parabola through three."""
    left, middle, right = (float(value) for value in values[index - 1 : index + 2])
    return index + 0.5 * (left - right) / min(left - 2 * middle + right, -1e-12)
