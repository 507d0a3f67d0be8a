"""Exact onsets of planned notes, and the clock line (latency, drift) through them.

The plan says when each note was asked for, so one line through all onsets says when each must have
come; notes too soft, or too buried in a tail, to be timed by themselves take the line's word.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.channels import less_means
from keymapper.slicing.alignment import fitted_line
from keymapper.slicing.attack import fitted_swell, key_down_of
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
_EARLY_SECONDS = 0.0003
_EARLY_IN_TAIL_SECONDS = 0.0005
_EARLY_UNDER_TAIL = {"tail": 0.0009, None: 0.0009}
_EARLY_IN_NOISE_SECONDS = 0.004
_APART = 0.2
"""Slow notes begun under a tail differ by no more than this from others like them."""
_MOST_LATE_SECONDS = 0.0003
_WEIGHTS = {"clear": 1.0, "grown": 0.2, "noise": 0.2, "tail": 0.1}
OUT_OF_SILENCE = ("clear", "noise")
"""Cases in which a note is heard by itself."""
_MODEL_LATER_SECONDS = 0.006
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
    found = audible_onset(moment) if len(moment.samples) else None
    if found is None:
        return Timed(asked=asked, onset_seconds=None, case=None, peak=peak, swells=swells)
    onset = (round(start * rate) - moment.expected_frame + found.frame) / rate
    abrupt = _is_abrupt(levels, found, onset, peak)
    noise = math.sqrt(levels.noise_before(start))
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


def settled_onsets(notes: Sequence[Timed], levels: Levels) -> list[Timed]:
    """Return the notes of one patch with every onset given, by its own sound or by the line.

    Notes whose own onset is sure keep it. The others are held to the line: to the usual distance
    of the sure ones from it, or, for patches that swell, to where their swell grows audible; of
    those, none is abrupt.
    """
    timed = [n for n in notes if n.onset_seconds is not None]
    slow = is_slow(notes)
    sure = [n for n in timed if n.case in ("clear", "grown")]
    sure = sure if 3 * len(sure) > len(timed) else timed
    distances = [_distance(n) for n in sure]
    usual = float(np.median(distances)) if distances else 0.0
    spread = 1.4826 * float(np.median(np.abs(np.array(distances) - usual))) if distances else 0.0
    if slow:
        settled = _held_together([_settled_slow(note, levels, usual) for note in notes])
        return [replace(note, abrupt=False) for note in settled]
    return [_settled(note, usual, spread) for note in notes]


def as_first_heard(heard: Sequence[Timed], settled: Sequence[Timed]) -> list[Timed]:
    """Return the notes of one patch, each no later than it was first heard out of silence.

    Only where the notes are usually heard before they are taken to begin: then they grow in another
    way than straight, which noise alone does not feign.
    """
    pairs = list(zip(heard, settled, strict=True))
    later = [_later_seconds(*pair) for pair in pairs]
    known = [seconds for seconds in later if seconds is not None]
    if not known or float(np.median(known)) <= _MODEL_LATER_SECONDS:
        return list(settled)
    return [
        replace(one, onset_seconds=first.onset_seconds)
        if seconds is not None and seconds > 0
        else one
        for (first, one), seconds in zip(pairs, later, strict=True)
    ]


def _later_seconds(first: Timed, settled: Timed) -> float | None:
    """Return by how much a note is taken to begin later than it was heard, where that is telling.

    Where its audible level is not far above the noise, that alone may lift it there long before.
    """
    if first.case not in OUT_OF_SILENCE or first.onset_seconds is None:
        return None
    if first.case == "clear" and first.blurred:
        return None
    return None if settled.onset_seconds is None else settled.onset_seconds - first.onset_seconds


def _held_together(notes: Sequence[Timed]) -> list[Timed]:
    """Return slow notes, those begun under a tail no further from key-down than others like them.

    Like them are notes held about as long: all reach a part of their own peak at the same time.
    """
    return [_like_the_others(n, notes) if n.case in _EARLY_UNDER_TAIL else n for n in notes]


def _like_the_others(note: Timed, notes: Sequence[Timed]) -> Timed:
    held = _held_seconds(note)
    like = [n for n in notes if n.case != "noise" and abs(_held_seconds(n) - held) <= 0.2 * held]
    usual = float(np.median([_distance(n) for n in like]))
    within = min(max(_distance(note), (1 - _APART) * usual), (1 + _APART) * usual)
    onset = note.asked.expected_seconds + max(0.0, within - _EARLY_UNDER_TAIL[note.case])
    return replace(note, onset_seconds=onset)


def _settled(note: Timed, usual: float, spread: float) -> Timed:
    tolerance = max(0.001, 3 * spread)
    most_late = max(_MOST_LATE_SECONDS, 1.5 * spread)
    line = note.asked.expected_seconds + usual - _EARLY_SECONDS
    if note.onset_seconds is None:
        return replace(note, onset_seconds=line)
    if note.case == "clear":
        return note
    if not -tolerance <= _distance(note) - usual <= most_late:
        return replace(note, onset_seconds=line)
    if note.case == "tail":
        usually = note.asked.expected_seconds + usual
        return replace(
            note, onset_seconds=min(note.onset_seconds, usually) - _EARLY_IN_TAIL_SECONDS
        )
    return replace(note, onset_seconds=note.onset_seconds - max(_EARLY_SECONDS, spread))


def _settled_slow(note: Timed, levels: Levels, usual: float) -> Timed:
    if note.case in ("clear", "grown"):
        return note
    expected, off = note.asked.expected_seconds, note.asked.off_seconds
    swell = fitted_swell(levels, expected, off)
    early = 0.0 if note.case in _EARLY_UNDER_TAIL else _EARLY_IN_NOISE_SECONDS
    if swell is None:
        line = expected + usual
        onset = note.onset_seconds if note.onset_seconds is not None else line
        onset = min(onset, line) if note.case == "tail" else onset
        return replace(note, onset_seconds=max(onset - early, expected))
    noise = math.sqrt(levels.noise_before(expected))
    audible = max(AUDIBLE_RATIO * note.peak, noise) / _local_crest(levels, expected, off)
    onset = min(max(swell.seconds_at(audible) - early, expected), off)
    return replace(note, onset_seconds=onset)


def _local_crest(levels: Levels, onset_seconds: float, off_seconds: float) -> float:
    """Return peak over RMS within 20 ms, the median over the second half of the hold."""
    start = 0.5 * (onset_seconds + off_seconds)
    first, end = levels.block(start), levels.block(off_seconds)
    count = (end - first) // 20
    if count < 1:
        return 2.0
    peaks = levels.course.peak[first : first + 20 * count].reshape(count, 20).max(axis=1)
    power = levels.course.power[first : first + 20 * count].reshape(count, 20).mean(axis=1)
    return float(np.median(peaks / np.sqrt(np.maximum(power, 1e-14))))


def _held_seconds(note: Timed) -> float:
    return note.asked.off_seconds - note.asked.expected_seconds


def _distance(note: Timed) -> float:
    onset = note.onset_seconds
    return 0.0 if onset is None else onset - note.asked.expected_seconds
