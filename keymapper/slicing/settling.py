"""The onsets of a patch settled together: what is not heard well by itself keeps to the others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.slicing.alignment import fitted_line
from keymapper.slicing.attack import fitted_swell
from keymapper.slicing.delays import Delays, delays_of
from keymapper.slicing.levels import Levels
from keymapper.slicing.onset import AUDIBLE_RATIO
from keymapper.slicing.timing import OUT_OF_SILENCE, Timed, is_slow

_EARLY_SECONDS, _MOST_EARLY_SECONDS = 0.0005, 0.002
_EARLY_IN_TAIL_SECONDS = 0.0006
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
_ALIKE_SECONDS, _SOON_SECONDS = 0.005, 0.05
"""Slow notes that become audible so soon, and differ by no more than this in when, are alike."""
_EARLY_ALIKE_SECONDS = 0.002


def settled_onsets(heard: Sequence[Timed], notes: Sequence[Timed], levels: Levels) -> list[Timed]:
    """Return the notes of one patch with every onset given, by its own sound or by the line.

    heard : each as timed by itself. notes : the same as seen beneath noise and tails.

    Notes whose own onset is sure keep it. The others are held to the delays of all of them (see
    `delays`), or, for patches that swell for long, to where their swell grows audible; of slow
    ones, none is abrupt.
    """
    delays = delays_of(heard, 0.0) or delays_of(notes, 0.0)
    if delays is None:
        return [replace(note, onset_seconds=note.asked.expected_seconds) for note in notes]
    usual = [delays.of(note) for note in heard]
    timed = [note for note in notes if note.onset_seconds is not None]
    sure = [note for note in timed if note.case in ("clear", "grown")]
    sure = sure if 3 * len(sure) > len(timed) else timed
    if keep_time(notes):
        return [_settled_in_time(note, one) for note, one in zip(notes, usual, strict=True)]
    if not is_slow(notes):
        spread = _spread(sure, delays)
        return [_settled(note, one, spread, levels) for note, one in zip(notes, usual, strict=True)]
    if _are_alike(heard, delays):
        pairs = zip(heard, notes, usual, strict=True)
        settled = [_settled_alike(note, levels, one, first.case) for first, note, one in pairs]
    else:
        distance = float(np.median([_distance(note) for note in sure]))
        settled = _held_together([_settled_slow(note, levels, distance) for note in notes])
    return [replace(note, abrupt=False) for note in settled]


def _spread(notes: Sequence[Timed], delays: Delays) -> float:
    """Return by how much notes differ from their usual delays (scaled median deviation)."""
    rests = [abs(_distance(note) - delays.of(note)) for note in notes]
    return 1.4826 * float(np.median(rests)) if rests else 0.0


def _are_alike(heard: Sequence[Timed], delays: Delays) -> bool:
    """Say whether slow notes become audible so soon, and so much alike, that one tells another."""
    timed = [note for note in heard if note.onset_seconds is not None]
    alone = [note for note in timed if note.case in OUT_OF_SILENCE] or timed
    usually = float(np.median([delays.of(note) for note in heard]))
    return _spread(alone, delays) < _ALIKE_SECONDS and usually < _SOON_SECONDS


def keep_time(notes: Sequence[Timed]) -> bool:
    """Say whether notes are heard under tails so steadily that they rise out of them at once.

    What swells under a tail is heard now sooner, now later.
    """
    timed = [note for note in notes if note.onset_seconds is not None]
    clear = [note for note in timed if note.case == "clear"]
    if 2 * sum(note.swells and not note.abrupt for note in clear) > len(clear):
        return False
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
    is_telling = first.case == "noise" and first.swells
    if not is_telling or first.onset_seconds is None:
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


def _settled(note: Timed, usual: float, spread: float, levels: Levels) -> Timed:
    stands_out = _stands_out(note, levels)
    tolerance = max(0.001, 3 * spread)
    most_late = max(_MOST_LATE_SECONDS, 1.5 * spread)
    usually = note.asked.expected_seconds + usual
    line = usually - min(max(_EARLY_SECONDS, spread), _MOST_EARLY_SECONDS)
    if note.onset_seconds is None:
        return replace(note, onset_seconds=line)
    if note.case == "clear":
        return note
    late = _distance(note) - usual
    if not -tolerance <= late <= (tolerance if stands_out else most_late):
        return replace(note, onset_seconds=line)
    early = _EARLY_IN_TAIL_SECONDS if note.case == "tail" else max(_EARLY_SECONDS, spread)
    if note.case == "tail" or not stands_out:
        return replace(note, onset_seconds=min(note.onset_seconds, usually) - early)
    if late <= most_late:
        early = _EARLY_SECONDS
    return replace(note, onset_seconds=note.onset_seconds - early)


def _settled_in_time(note: Timed, usual: float) -> Timed:
    """Return a note of those that rise out of tails at once, unless it is heard far from usual."""
    if note.case == "clear":
        return note
    usually = note.asked.expected_seconds + usual
    onset = usually if note.onset_seconds is None else note.onset_seconds
    if abs(onset - usually) > 2 * _KEEPS_TIME_SECONDS:
        onset = usually
    onset = min(onset, usually + _EARLY_IN_TAIL_SECONDS)
    return replace(note, onset_seconds=onset - _EARLY_IN_TAIL_SECONDS)


def _settled_alike(note: Timed, levels: Levels, usual: float, heard: str | None) -> Timed:
    """Return a slow note of those alike; beneath a tail, it grows no later than is usual.

    heard : by itself.
    """
    expected, onset = note.asked.expected_seconds, note.onset_seconds
    if note.case == "clear" or (note.case, heard) == ("grown", "noise"):
        return note
    if note.case == "noise":
        settled = _settled_slow(note, levels, usual)
        latest = expected + usual + _ALIKE_SECONDS
        return replace(settled, onset_seconds=min(settled.onset_seconds or latest, latest))
    if note.case == "grown" and onset is not None:
        return replace(note, onset_seconds=min(onset, expected + usual))
    return replace(note, onset_seconds=expected + max(0.0, usual - _EARLY_ALIKE_SECONDS))


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
