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
FULLY_JUDGED = 48


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sustain:
    """What the search knows about one sustain."""

    envelope: Envelope
    distances: np.ndarray
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


def costs(found: Candidates, sustain: Sustain, bounds: Bounds) -> np.ndarray:
    """Return the cost of every candidate; infinite for those not worth a full look."""
    envelope = sustain.envelope
    lengths = found.ends - found.starts
    at_start, at_end = envelope.index_at(found.starts), envelope.index_at(found.ends)
    distance = sustain.distances[at_start, at_end]
    achievable = sustain.achievable_db
    partial = (
        WAVEFORM_WEIGHT * (1 - found.correlation)
        + 0.6 * distance / (0.4 + achievable + 0.1 * sustain.movement_db)
        + 0.3 * np.maximum(0, distance - 2 * achievable - 1)
        + _repetition_db(sustain, at_start, at_end, lengths) / JUST_HEARD_REPETITION_DB
        + 0.3 * short_penalty(lengths, bounds.wanted_frames)
    )
    total = np.full(len(partial), np.inf)
    for index in np.argsort(partial, kind="stable")[:FULLY_JUDGED]:
        wobble = _wobble_cost(envelope.levels_db[at_start[index] : at_end[index]])
        total[index] = partial[index] + wobble
    return total


def _repetition_db(
    sustain: Sustain, at_start: np.ndarray, at_end: np.ndarray, lengths: np.ndarray
) -> np.ndarray:
    """How audibly each loop cycles: its movement, unless the note itself repeats with that lag."""
    levels = sustain.envelope.levels_db.astype(float)
    levels = levels - levels.mean(axis=0)
    sums = np.concatenate([np.zeros((1, levels.shape[1])), np.cumsum(levels, axis=0)])
    squares = np.concatenate([[0.0], np.cumsum((levels**2).sum(axis=1))])
    times = np.maximum(at_end - at_start, 1)
    means = (sums[at_end] - sums[at_start]) / times[:, None]
    variance = (squares[at_end] - squares[at_start]) / times - (means**2).sum(axis=1)
    moved = np.sqrt(np.maximum(variance, 0) / levels.shape[1])
    repeats = np.clip(sustain.periodicity[times.clip(max=len(sustain.periodicity) - 1)], 0, 1)
    seconds = lengths / sustain.rate
    return np.asarray(
        moved * np.sqrt(1 - repeats) / (1 + (seconds / REPETITION_MEMORY_SECONDS) ** 2)
    )


def _wobble_cost(levels_db: np.ndarray) -> float:
    """Cost of the swing at the loop's own rate beyond what its inside swings anyway."""
    times = len(levels_db)
    if times < 2 * WOBBLE_LINES + 1:
        return 0.0
    phase = np.arange(times, dtype=np.float32) / times
    lines = np.exp(-2j * np.pi * np.outer(np.arange(1, WOBBLE_LINES + 1), phase))
    lines = lines.astype(np.complex64) / times
    swing = lines @ levels_db
    ramp = (lines @ phase)[:, None] * (levels_db[-1] - levels_db[0])
    wobble = np.sqrt(2 * np.mean(np.sum(np.abs(swing) ** 2, axis=0)))
    inside = np.sqrt(2 * np.mean(np.sum(np.abs(swing - ramp) ** 2, axis=0)))
    return max(0.0, float(wobble / np.hypot(JUST_HEARD_WOBBLE_DB, inside)) - 0.7)
