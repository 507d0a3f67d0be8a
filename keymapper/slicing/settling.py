"""The onsets of a patch settled together: what is not heard well by itself keeps to the others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.slicing.alignment import fitted_line
from keymapper.slicing.attack import fitted_swell
from keymapper.slicing.levels import Levels
from keymapper.slicing.onset import AUDIBLE_RATIO
from keymapper.slicing.timing import OUT_OF_SILENCE, Timed, is_slow

_EARLY_SECONDS = 0.0003
_SURE_EARLY_SECONDS = 0.0005
_EARLY_IN_TAIL_SECONDS = 0.0005
_EARLY_UNDER_TAIL = {"tail": 0.0009, None: 0.0009}
_EARLY_IN_NOISE_SECONDS = 0.004
_APART = 0.2
"""Slow notes begun under a tail differ by no more than this from others like them."""
_MOST_LATE_SECONDS = 0.0003
_MODEL_LATER_SECONDS = 0.006
_HEARD_ALONE = ("clear", "tail")
_LEAST_KEEPING, _MOST, _KEEPS_TIME_SECONDS = 5, 0.75, 0.0025
"""So many notes at least, and so much of them, that close to one line, keep time by themselves."""
_STANDS_OUT_RATIO = 20.0
_LEAST_OF_KEY, _SOONEST_SHARE = 3, 0.25
"""Of so many notes of one key, this share is heard as soon as all would be but for tails."""


def settled_onsets(notes: Sequence[Timed], levels: Levels) -> list[Timed]:
    """Return the notes of one patch with every onset given, by its own sound or by the line.

    Notes whose own onset is sure keep it. The others are held to the line: to the usual distance
    of the sure ones from it, or, for patches that swell, to where their swell grows audible; of
    those, none is abrupt.
    """
    timed = [n for n in notes if n.onset_seconds is not None]
    slow = is_slow(notes) and not keep_time(notes)
    sure = [n for n in timed if n.case in ("clear", "grown")]
    sure = sure if 3 * len(sure) > len(timed) else timed
    if slow:
        usual = _median_distance(sure)
        settled = _held_together([_settled_slow(note, levels, usual) for note in notes])
        return [replace(note, abrupt=False) for note in settled]
    usual_of = {key: _usual_distance(key, sure) for key in {note.asked.key for note in notes}}
    rests = [abs(_distance(note) - usual_of[note.asked.key]) for note in sure]
    spread = 1.4826 * float(np.median(rests)) if rests else 0.0
    return [
        _settled(note, usual_of[note.asked.key], spread, _stands_out(note, levels))
        for note in notes
    ]


def _usual_distance(key: int | None, sure: Sequence[Timed]) -> float:
    """Return how long after key-down notes of a key are usually heard; no later than any.

    Recorded waves begin after silences of their own. Where tails hide the beginnings, those heard
    soonest tell it.
    """
    usual = _median_distance(sure)
    of_key = [note for note in sure if note.asked.key == key]
    if key is None or len(of_key) < _LEAST_OF_KEY:
        return usual
    hidden = any(note.case not in ("clear", "grown") for note in of_key)
    share = _SOONEST_SHARE if hidden else 0.5
    return min(usual, float(np.quantile([_distance(note) for note in of_key], share)))


def _median_distance(sure: Sequence[Timed]) -> float:
    return float(np.median([_distance(note) for note in sure])) if sure else 0.0


def keep_time(notes: Sequence[Timed]) -> bool:
    """Say whether notes are heard under tails so steadily that they rise out of them at once.

    What swells under a tail is heard now sooner, now later.
    """
    timed = [note for note in notes if note.onset_seconds is not None]
    tails = sum(note.case == "tail" for note in timed)
    heard = [(n.asked.expected_seconds, n.onset_seconds) for n in timed if n.case in _HEARD_ALONE]
    if 2 * tails < len(timed) or len(heard) < max(_LEAST_KEEPING, _MOST * len(timed)):
        return False
    expected, onsets = np.array(heard, dtype=np.float64).T
    latency, drift = fitted_line(expected, onsets, np.ones(len(heard)), 0.0, 0.0)
    off = np.abs(onsets - latency - (1 + drift) * expected)
    return float(np.quantile(off, _MOST)) <= _KEEPS_TIME_SECONDS


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


def _stands_out(note: Timed, levels: Levels) -> bool:
    """Say whether a note begins so abruptly, so far above the noise, that it is heard at once."""
    noise = math.sqrt(levels.noise_before(note.asked.expected_seconds))
    return note.abrupt and note.peak > _STANDS_OUT_RATIO * noise


def _settled(note: Timed, usual: float, spread: float, stands_out: bool) -> Timed:
    tolerance = max(0.001, 3 * spread)
    most_late = max(_MOST_LATE_SECONDS, 1.5 * spread)
    line = note.asked.expected_seconds + usual - _EARLY_SECONDS
    if note.onset_seconds is None:
        return replace(note, onset_seconds=line)
    if note.case == "clear":
        return note
    late = _distance(note) - usual
    if not -tolerance <= late <= (tolerance if stands_out else most_late):
        return replace(note, onset_seconds=line)
    if note.case == "tail":
        usually = note.asked.expected_seconds + usual
        return replace(
            note, onset_seconds=min(note.onset_seconds, usually) - _EARLY_IN_TAIL_SECONDS
        )
    early = max(_EARLY_SECONDS, spread)
    if stands_out and late <= most_late:
        early = min(early, _SURE_EARLY_SECONDS)
    return replace(note, onset_seconds=note.onset_seconds - early)


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
