"""One cost for a loop candidate: waveform, envelope, drift, wobble, repetition and length."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.measuring.loops.candidates import Bounds, Candidates, short_penalty
from keymapper.measuring.loops.features import Envelope, detrended

WOBBLE_LINES = 3
JUST_HEARD_WOBBLE_DB = 0.4
JUST_HEARD_REPETITION_DB = 0.6
REPETITION_MEMORY_SECONDS = 0.6
WAVEFORM_WEIGHT = 6.0
FULLY_JUDGED = 24
LEVELLED_AT_MOST = 2.0
LEVELLING_WEIGHT = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sustain:
    """What the search knows about one sustain.

    ``around_db`` are the levels averaged over +-100 ms, ``trend_db`` their slope a hop,
    ``distances`` the rms difference of every pair of times, ``achievable_db`` the least of it.
    """

    envelope: Envelope
    around_db: np.ndarray
    trend_db: np.ndarray
    steady_trend_db: np.ndarray
    distances: np.ndarray
    level_distances: np.ndarray
    achievable_db: float
    movement_db: float
    periodicity: np.ndarray
    rate: int


def periodicity(levels_db: np.ndarray) -> np.ndarray:
    """Return the autocorrelation of detrended band levels at every lag (1 = it repeats)."""
    centred = detrended(levels_db)
    times = len(centred)
    size = fft.next_fast_len(2 * times, real=True)
    spectrum = fft.rfft(centred, n=size, axis=0)
    raw = fft.irfft((np.abs(spectrum) ** 2).sum(axis=1), n=size)[:times]
    energy = np.concatenate([[0.0], np.cumsum((centred.astype(float) ** 2).sum(axis=1))])
    lags = np.arange(times)
    early, late = energy[times - lags], energy[-1] - energy[lags]
    return np.asarray(raw / np.sqrt(np.maximum(early * late, 1e-12)))


def levelling_db(sustain: Sustain, at_start: np.ndarray, at_end: np.ndarray) -> np.ndarray:
    """Return the drift over each loop that may be taken out, shape (loops, views x bands).

    It is what the join shows, as far as the sustain as a whole moves the same way: a beat or a
    sweep that happens to differ at the join is no decay.
    """
    drift = sustain.around_db[at_end] - sustain.around_db[at_start]
    trend = LEVELLED_AT_MOST * sustain.trend_db * (at_end - at_start)[:, None]
    return np.asarray(np.clip(drift, np.minimum(trend, 0), np.maximum(trend, 0)))


def costs(found: Candidates, sustain: Sustain, bounds: Bounds) -> tuple[np.ndarray, np.ndarray]:
    """Return the cost of every candidate; infinite for those not worth a full look."""
    envelope = sustain.envelope
    lengths = found.ends - found.starts
    at_start, at_end = envelope.index_at(found.starts), envelope.index_at(found.ends)
    levelled = levelling_db(sustain, at_start, at_end)
    drift = sustain.around_db[at_end] - sustain.around_db[at_start]
    squared = sustain.distances[at_start, at_end - at_start] ** 2
    squared += np.mean((drift - levelled) ** 2 - drift**2, axis=1)
    distance = np.sqrt(np.maximum(squared, 0))
    achievable = sustain.achievable_db
    repetition = _repetition_db(sustain, at_start, at_end, levelled, lengths / sustain.rate)
    total = (
        WAVEFORM_WEIGHT * (1 - found.correlation)
        + 0.6 * distance / (0.4 + achievable + 0.1 * sustain.movement_db)
        + 0.3 * np.maximum(0, distance - 2 * achievable - 1)
        + LEVELLING_WEIGHT * np.sqrt(np.mean(levelled**2, axis=1))
        + repetition / JUST_HEARD_REPETITION_DB
        + 0.3 * short_penalty(lengths, bounds.wanted_frames)
    )
    order = np.argsort(total, kind="stable")
    total[order[FULLY_JUDGED:]] = np.inf
    for index in order[:FULLY_JUDGED]:
        levels = envelope.levels_db[at_start[index] : at_end[index]]
        total[index] += _wobble_cost(levels, levelled[index])
    return total, repetition


def _repetition_db(
    sustain: Sustain,
    at_start: np.ndarray,
    at_end: np.ndarray,
    levelled: np.ndarray,
    seconds: np.ndarray,
) -> np.ndarray:
    """How audibly each loop cycles: its movement, unless the note itself repeats with that lag.

    The movement is the variance of the band levels less the line that is levelled out, from
    running sums.
    """
    levels = sustain.envelope.levels_db.astype(float)
    levels -= levels.mean(axis=0)
    place = np.arange(len(levels), dtype=float)[:, None]
    sums, moments = _running(levels), _running(place * levels)
    squares = _running((levels**2).sum(axis=1))
    times = np.maximum(at_end - at_start, 1)
    mean = (sums[at_end] - sums[at_start]) / times[:, None]
    variance = (squares[at_end] - squares[at_start]) / times - (mean**2).sum(axis=1)
    middle = (at_start + at_end - 1)[:, None] / 2
    along = (moments[at_end] - moments[at_start]) / times[:, None] - middle * mean
    slope = levelled / times[:, None]
    variance += (slope**2).sum(axis=1) * (times**2 - 1) / 12 - 2 * (slope * along).sum(axis=1)
    moved = np.sqrt(np.maximum(variance, 0) / levels.shape[1])
    repeats = np.clip(sustain.periodicity[times.clip(max=len(levels) - 1)], 0, 1)
    return np.asarray(
        moved * np.sqrt(1 - repeats) / (1 + (seconds / REPETITION_MEMORY_SECONDS) ** 2)
    )


def _running(values: np.ndarray) -> np.ndarray:
    return np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])


def _wobble_cost(levels_db: np.ndarray, levelled_db: np.ndarray) -> float:
    """Cost of the swing at the loop's own rate beyond what its inside swings anyway."""
    times = len(levels_db)
    if times < 2 * WOBBLE_LINES + 1:
        return 0.0
    phase = np.arange(times, dtype=np.float32) / times
    lines = np.exp(-2j * np.pi * np.outer(np.arange(1, WOBBLE_LINES + 1), phase))
    lines = lines.astype(np.complex64) / times
    swing = lines @ levels_db
    ramp = (lines @ phase)[:, None]
    inside = swing - ramp * (levels_db[-1] - levels_db[0])
    swing = swing - ramp * levelled_db
    wobble, own = (
        np.sqrt(2 * np.mean(np.sum(np.abs(part) ** 2, axis=0))) for part in (swing, inside)
    )
    return max(0.0, float(wobble / np.hypot(JUST_HEARD_WOBBLE_DB, own)) - 0.7)
