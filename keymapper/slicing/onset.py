"""The frame at which a note becomes audible.

Audible means: the note's waveform reaches 1 % of its own peak, or the noise floor (RMS) where that
is higher. Three cases, by what sounds before the note:

- *clear*: 1 % of the peak stands well out of the noise; the first frame that reaches it.
- *noise*: it does not; then the moment from which on the power is more likely noise plus note
  than noise alone (the change point of a variance, Page's CUSUM run backwards).
- *tail*: an earlier note still rings; then the first frame that linear prediction from that tail
  cannot explain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from keymapper.slicing.background import hum_of, innovation
from keymapper.slicing.course import FloatArray

AUDIBLE_RATIO = 0.01
_PAST_SECONDS = 0.12
GUARD_SECONDS = 0.03
CLEAR_RATIO = 4.7
"""Gaussian noise passes this many times its RMS about once in 400 000 frames."""
_TAIL_GAIN = 0.25
"""Prediction must leave less than this share of the power for the past to count as a tail."""
_CREST_RATIO = 2.0
"""Peak over RMS of an attack."""
_MOST_SCORE = 8.0
_LEAST_RMS = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moment:
    """A stretch of a take around an expected onset, and what is known of the note."""

    samples: FloatArray
    """Float64, shape (frames, channels)."""
    rate_hz: int
    expected_frame: int
    end_frame: int
    """The onset is looked for from 30 ms before the expected frame up to this one."""
    peak: float
    """Of the note."""
    hum_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundOnset:
    """Where the note begins in the samples of the moment, and by which of the cases."""

    frame: int
    case: Literal["clear", "noise", "tail"]
    rise_frames: int = 0
    """From the onset to four times its level; 0 where noise or a tail hides it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Channel:
    """One channel from the start of the search on, with the statistics of its past."""

    size: FloatArray
    rms: float
    threshold: float
    is_tail: bool
    stands_out: bool


def audible_onset(moment: Moment) -> FoundOnset | None:
    """Return the frame at which the note becomes audible, or None where nothing begins."""
    guard = round(GUARD_SECONDS * moment.rate_hz)
    search = min(max(0, moment.expected_frame - guard), len(moment.samples))
    past = min(search, round(_PAST_SECONDS * moment.rate_hz))
    stretch = moment.samples[search - past : moment.end_frame]
    if len(stretch) <= past:
        return None
    stretch = without_hum(stretch, past, moment.rate_hz, moment.hum_hz)
    channels = [_channel(stretch[:, one], past, moment) for one in range(stretch.shape[1])]
    clear = [
        _first(channel.size >= channel.threshold) for channel in channels if channel.stands_out
    ]
    frames = [frame for frame in clear if frame is not None]
    if frames:
        if all(channel.is_tail for channel in channels if channel.stands_out):
            return FoundOnset(frame=search + min(frames), case="tail")
        risen = [_first(channel.size >= 4 * channel.threshold) for channel in channels]
        rise = min((frame for frame in risen if frame is not None), default=min(frames))
        return FoundOnset(
            frame=search + min(frames), case="clear", rise_frames=max(0, rise - min(frames))
        )
    noisy = [channel for channel in channels if not channel.is_tail]
    if not noisy:
        return None
    scores = np.sum([_scores(channel) for channel in noisy], axis=0)
    rising = np.cumsum(scores[::-1])[::-1]
    best = int(np.argmax(rising))
    return FoundOnset(frame=search + best, case="noise") if rising[best] > _MOST_SCORE else None


def without_hum(stretch: FloatArray, past: int, rate_hz: int, hum_hz: float | None) -> FloatArray:
    """Return a stretch less the hum and offset of its first ``past`` frames."""
    if hum_hz is not None and past > 0.05 * rate_hz:
        return np.asarray(stretch - hum_of(stretch, past, rate_hz, hum_hz))
    return np.asarray(stretch - stretch[:past].mean(axis=0)) if past else stretch


def _channel(signal: FloatArray, past: int, moment: Moment) -> _Channel:
    before, rest = signal[:past], innovation(signal, past)
    settled = rest[past // 4 : past]
    is_tail = bool(
        past
        and np.mean(settled**2) < _TAIL_GAIN * np.mean(before**2)
        and np.mean(before**2) > 1e-12
    )
    if not is_tail:
        settled, rest = before, signal
    rms = max(math.sqrt(np.mean(settled**2)) if len(settled) else 0.0, _LEAST_RMS)
    highest = float(np.abs(settled).max(initial=0.0))
    threshold = max(AUDIBLE_RATIO * moment.peak, rms)
    if is_tail:
        threshold = max(1.25 * highest, 5 * rms)
    return _Channel(
        size=np.abs(rest[past:]),
        rms=rms,
        threshold=threshold,
        is_tail=is_tail,
        stands_out=threshold > CLEAR_RATIO * rms and threshold > 1.1 * highest,
    )


def _first(hits: FloatArray) -> int | None:
    first = int(np.argmax(hits)) if len(hits) else 0
    return first if len(hits) and hits[first] else None


def _scores(channel: _Channel) -> FloatArray:
    """Return the log likelihood ratio of "noise and note" against "noise" of each frame.

    Both are taken as Gaussian with variances rms**2 and v * rms**2; v is chosen so that the ratio
    turns positive where the note's own level reaches the audible threshold.
    """
    power_ratio = (channel.threshold / (_CREST_RATIO * channel.rms)) ** 2
    variance = _variance_turning_at(1 + min(power_ratio, 13.0))
    relative = (channel.size / channel.rms) ** 2
    scores = 0.5 * (relative * (1 - 1 / variance) - math.log(variance))
    return np.minimum(scores, _MOST_SCORE)


def _variance_turning_at(power_ratio: float) -> float:
    """Solve log(v) / (1 - 1 / v) = power_ratio for v > 1 by bisection."""
    low, high = 1.0001, 1e7
    while high / low > 1.001:
        middle = math.sqrt(low * high)
        if math.log(middle) / (1 - 1 / middle) < power_ratio:
            low = middle
        else:
            high = middle
    return low
