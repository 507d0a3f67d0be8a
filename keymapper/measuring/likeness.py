"""Whether two recordings are the same sound once more: waveforms lined up and compared."""

from __future__ import annotations

import numpy as np
import scipy.fft

from keymapper.measuring.levels import power_db
from keymapper.model.likeness import Likeness
from keymapper.model.sound import Course

COMPARED_SECONDS = 0.5
MARGIN_SECONDS = 0.01
"""How far two onsets may be misjudged against each other."""
_STEPS = 8
"""Of a frame, in which the lag is refined: recordings are not cut in step with the converter."""


def excerpt(samples: np.ndarray, rate: int, course: Course) -> np.ndarray:
    """Return what two notes are compared by: half a second from just before the onset.

    samples : float, shape (frames, channels), free of DC; the copy is float32 and may be shorter.
    """
    margin = round(MARGIN_SECONDS * rate)
    first = max(0, course.onset_frame - margin)
    last = min(course.end_frame, course.onset_frame + round(COMPARED_SECONDS * rate) + margin)
    return np.array(samples[first:last], dtype=np.float32)


def likeness(one: np.ndarray, other: np.ndarray, rate: int) -> Likeness:
    """Return how alike two excerpts are, all channels taken together.

    They are lined up by the peak of their cross-correlation within 20 ms, to an eighth of a
    frame, and compared where they overlap. Silence, and another number of channels, are unlike.

    one, other : float, shape (frames, channels), of the same rate.
    """
    if one.shape[1] != other.shape[1] or not (one.any() and other.any()):
        return Likeness(correlation=0.0, level_difference_db=_level_db(one) - _level_db(other))
    lag = _best_lag(one, other, round(2 * MARGIN_SECONDS * rate))
    a, b = one[max(0, lag) :], other[max(0, -lag) :]
    shared = min(len(a), len(b))
    a, b = a[:shared], b[:shared]
    norm = np.sqrt(_energy(a) * _energy(b))
    correlation = _finest_correlation(a, b) / norm if norm > 0 else 0.0
    return Likeness(
        correlation=float(np.clip(correlation, -1.0, 1.0)),
        level_difference_db=_level_db(a) - _level_db(b),
    )


def _energy(samples: np.ndarray) -> float:
    flat = samples.astype(np.float64).ravel()
    return float(flat @ flat)


def _level_db(samples: np.ndarray) -> float:
    return power_db(_energy(samples) / max(1, samples.size))


def _cross_spectrum(one: np.ndarray, other: np.ndarray, frames: int) -> np.ndarray:
    a = scipy.fft.rfft(one.astype(np.float64), frames, axis=0)
    b = scipy.fft.rfft(other.astype(np.float64), frames, axis=0)
    cross: np.ndarray = (a * b.conj()).sum(axis=1)
    return cross


def _best_lag(one: np.ndarray, other: np.ndarray, most: int) -> int:
    """By how many frames `one` comes later than `other`."""
    most = min(most, len(one) - 1, len(other) - 1)
    frames = scipy.fft.next_fast_len(len(one) + len(other), real=True)
    correlation = scipy.fft.irfft(_cross_spectrum(one, other, frames), frames)
    near = np.concatenate([correlation[-most:], correlation[: most + 1]]) if most else [0.0]
    return int(np.argmax(near)) - most


def _finest_correlation(one: np.ndarray, other: np.ndarray) -> float:
    """Highest correlation of two stretches within a frame of lag, between frames too."""
    frames = scipy.fft.next_fast_len(len(one) + _STEPS, real=True)
    cross = _cross_spectrum(one, other, frames)
    weights = np.full(len(cross), 2.0)
    weights[0] = 1.0
    if frames % 2 == 0:
        weights[-1] = 1.0
    lags = np.arange(-_STEPS, _STEPS + 1) / _STEPS
    turn = np.exp(2j * np.pi * np.outer(lags, np.arange(len(cross))) / frames)
    return float(((turn * cross).real @ weights).max() / frames)
