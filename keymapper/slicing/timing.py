"""Exact onsets of planned notes, and the clock line (latency, drift) through them.

The plan says when each note was asked for, so one line through all onsets says when each must have
come; notes too soft, or too buried in a tail, to be timed by themselves take the line's word.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.channels import less_means
from keymapper.slicing.alignment import fitted_line
from keymapper.slicing.attack import key_down_of
from keymapper.slicing.course import FloatArray, TakeAudio
from keymapper.slicing.levels import Levels
from keymapper.slicing.onset import (
    AUDIBLE_RATIO,
    GUARD_SECONDS,
    FoundOnset,
    Moment,
    audible_onset,
)

_READ_BEFORE_SECONDS = 0.17
_SEARCH_AFTER_SECONDS = 0.02
_LONGEST_SEARCH_SECONDS = 3.0
ABRUPT_SECONDS, ABRUPT_RATIO = 0.012, 5.0
"""So soon after it is audible, an abrupt note is so many times louder than that."""
_WELL_CLEAR_RATIO = 16.0
"""An audible level so many times the RMS of the noise is not moved by it."""
_OVER_TAIL = 0.2
"""Under a tail, what reaches this share of its peak at once is abrupt."""
_WEIGHTS = {"clear": 1.0, "grown": 0.2, "noise": 0.2, "tail": 0.1}
OUT_OF_SILENCE = ("clear", "noise")
"""Cases in which a note is heard by itself."""
_MOST_LAG_SECONDS = 0.1
_SWELL_SECONDS, _SWELL_RATIO = 0.1, 0.75
"""A note that swells is softer than this part of its peak for so long."""
_SLOW_CLEAR_WEIGHT = 0.04
_SLOW_WEIGHT = 0.02
_SWELL_REACH_SECONDS = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A note-on as the plan has it, in seconds of the take as far as they are known."""

    plan_index: int
    patch: int
    key: int | None = None
    """The key asked for, where it is known."""
    expected_seconds: float
    off_seconds: float
    until_seconds: float
    """The next note-on, or the end of the take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timed:
    """A note with its onset as heard."""

    asked: Asked
    onset_seconds: float | None
    case: str | None
    """How it was found (see `onset`; "grown": see `swelling`); None where it was not."""
    peak: float
    abrupt: bool = False
    """It rises to many times the audible threshold within some milliseconds."""
    swells: bool = False
    """It takes long to get near its peak."""
    blurred: bool = True
    """Noise or a tail moves, or hides, the moment at which it becomes audible."""
    lag_seconds: float = 0.0
    """From key-down to onset, where the attack is seen to rise steadily."""
    masked_nepers: float = 0.0
    """By so much the noise stands over the level at which the note would be audible."""


def moment_of(take: TakeAudio, levels: Levels, asked: Asked, hum_hz: float | None) -> Moment:
    """Return the stretch of a take in which a note becomes audible."""
    rate = take.rate_hz
    peak = note_peak(levels, asked.expected_seconds, asked.until_seconds)
    first = max(0, round((asked.expected_seconds - _READ_BEFORE_SECONDS) * rate))
    end = round(_search_end(levels, asked, peak) * rate)
    samples = less_means(take.read(first, end).astype(np.float64), levels.course.offset)
    return Moment(
        samples=samples,
        rate_hz=rate,
        expected_frame=round(asked.expected_seconds * rate) - first,
        end_frame=len(samples),
        peak=peak,
        hum_hz=hum_hz,
    )


def timed_onset(levels: Levels, asked: Asked, moment: Moment) -> Timed:
    """Return the onset of one note, looked for around where it is expected."""
    rate, peak, start = moment.rate_hz, moment.peak, asked.expected_seconds
    swells = _swells(levels, start, peak)
    noise = math.sqrt(levels.noise_before(start))
    masked = math.log(max(1.0, noise / max(AUDIBLE_RATIO * peak, 1e-9)))
    found = audible_onset(moment) if len(moment.samples) else None
    if found is None:
        return Timed(
            asked=asked,
            onset_seconds=None,
            case=None,
            peak=peak,
            swells=swells,
            masked_nepers=masked,
        )
    onset = (round(start * rate) - moment.expected_frame + found.frame) / rate
    abrupt = _is_abrupt(levels, found, onset, peak)
    near_noise = AUDIBLE_RATIO * peak < _WELL_CLEAR_RATIO * noise
    return Timed(
        asked=asked,
        onset_seconds=onset,
        case=found.case,
        peak=peak,
        abrupt=abrupt,
        swells=swells,
        blurred=not abrupt and (near_noise or found.case == "tail"),
        lag_seconds=min(found.rise_frames / (3 * rate), _MOST_LAG_SECONDS),
        masked_nepers=masked,
    )


def _swells(levels: Levels, start_seconds: float, peak: float) -> bool:
    """Say whether a note is far from its peak, or still beneath a tail, for long."""
    begun = levels.peak(start_seconds, start_seconds + _SWELL_SECONDS)
    past = levels.peak(max(0.0, start_seconds - _SWELL_SECONDS), start_seconds)
    return begun < _SWELL_RATIO * peak or begun <= past


def note_peak(levels: Levels, onset_seconds: float, until_seconds: float) -> float:
    """Return the peak of a note, leaving out the last of the tail it may begin under."""
    return levels.peak(onset_seconds + 0.003, max(until_seconds - 0.01, onset_seconds + 0.02))


def _search_end(levels: Levels, asked: Asked, peak: float) -> float:
    """Return when the note has surely begun: it stands at 5 % of its peak and above its past."""
    start = asked.expected_seconds - GUARD_SECONDS
    past = levels.peak(start - 0.1, start) if start > 0.1 else 0.0
    limit = min(asked.expected_seconds + _LONGEST_SEARCH_SECONDS, asked.until_seconds)
    first = levels.block(start)
    loud = levels.course.peak[first : levels.block(limit)] > max(0.05 * peak, 1.5 * past)
    risen = start + int(np.argmax(loud)) * levels.course.block_seconds if loud.any() else start
    return max(risen, asked.expected_seconds) + _SEARCH_AFTER_SECONDS


def _is_abrupt(levels: Levels, found: FoundOnset, onset_seconds: float, peak: float) -> bool:
    if found.case == "tail":
        return levels.peak(onset_seconds, onset_seconds + ABRUPT_SECONDS) >= _OVER_TAIL * peak
    return _rises_abruptly(levels, onset_seconds, peak)


def _rises_abruptly(levels: Levels, onset_seconds: float, peak: float) -> bool:
    noise = math.sqrt(levels.noise_before(onset_seconds))
    enough = min(0.5 * peak, ABRUPT_RATIO * max(AUDIBLE_RATIO * peak, noise))
    return levels.peak(onset_seconds, onset_seconds + ABRUPT_SECONDS) >= enough


def clock_line(
    notes: Sequence[Timed], plan_seconds: FloatArray, latency: float, drift: float, levels: Levels
) -> tuple[float, float]:
    """Return latency (seconds) and drift (ratio) of the line through the key-downs of the notes.

    The key-down of an abrupt note is its onset, less what a straight attack takes to get there
    (for slow notes the median of that: each by itself beats); that of a swelling one in noise is
    where its swell starts.
    plan_seconds : the note-on of each note.
    """
    slow = [n.lag_seconds for n in notes if _is_seen_rising(n)]
    slow_lag = float(np.median(slow)) if slow else 0.0
    moments, weights, planned, hidden = [], [], [], []
    for note, seconds in zip(notes, plan_seconds, strict=True):
        if note.onset_seconds is None or note.case is None:
            continue
        moment, weight = note.onset_seconds - note.lag_seconds, _WEIGHTS[note.case]
        if _is_seen_rising(note):
            moment, weight = note.onset_seconds - slow_lag, _SLOW_CLEAR_WEIGHT
        elif not note.abrupt:
            swell = key_down_of(levels, note.onset_seconds - 0.015, note.asked.off_seconds)
            if swell is None:
                continue
            moment, weight = swell.key_down_seconds, _SLOW_WEIGHT
        moments.append(moment)
        weights.append(weight)
        planned.append(seconds)
        hidden.append(note.abrupt and note.case == "tail")
    if not moments:
        return latency, drift
    heard, weighed = np.array(moments), np.array(weights)
    return fitted_line(np.array(planned), heard, weighed, latency, drift, np.array(hidden))


def _is_seen_rising(note: Timed) -> bool:
    """Say whether a slow note is seen to rise from its onset on."""
    return not note.abrupt and note.case == "clear" and note.lag_seconds > 0


def swell_line(
    asked: Sequence[Asked],
    plan_seconds: FloatArray,
    latency: float,
    drift: float,
    levels: Levels,
) -> tuple[float, float]:
    """Return latency and drift of the line through the starts of slow swells, known roughly."""
    swells = [
        key_down_of(levels, one.expected_seconds - 0.05, one.off_seconds, _SWELL_REACH_SECONDS)
        for one in asked
    ]
    found = [index for index, swell in enumerate(swells) if swell is not None]
    if not found:
        return latency, drift
    moments = np.array([s.key_down_seconds for s in swells if s is not None])
    return fitted_line(plan_seconds[found], moments, np.ones(len(found)), latency, drift)


def is_slow(notes: Sequence[Timed]) -> bool:
    """Say whether most notes that were found swell."""
    timed = [note for note in notes if note.onset_seconds is not None]
    return 2 * sum(note.swells and not note.abrupt for note in timed) > len(timed)
