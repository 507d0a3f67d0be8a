"""A take played by hand: lined up with its plan by the order of its pitches.

Nobody plays to the millisecond, so the clock line does not fit. Plan and take are two sequences of
keys then, aligned with gaps (Needleman and Wunsch, 1970), and the times only have to agree roughly.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.model.session import SessionSheet
from keymapper.slicing.course import FloatArray
from keymapper.slicing.evidence import HeardPitch, PitchOf
from keymapper.slicing.found import FoundNote, SlicedTake
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.unplanned import UnplannedTake, slice_unplanned

_SHIFTS = (0, 12, -12, 24, -24)
_SAME, _UNKNOWN, _OTHER, _SKIPPED = 1.0, 0.2, -1.5, -0.6
_TIMELY, _LOUD = 0.4, 0.3
_USUAL_SPREADS, _LEAST_SPREAD_DB, _FAR_DB = 3.0, 0.5, 4.0
"""Levels scatter by so many times their usual distance; so many dB further off are another note."""
_WHICH = "a note of its key is missing or played twice; this may be another of them"
_LEAST_NOTES = 6
_LEAST_KEYS = 3
_LEAST_AGREEING = 0.8
_MOST_SLOPE = 0.5
"""Whoever plays by hand keeps a pace of their own, up to so much faster or slower."""
_MOST_DISTANCE = 0.5
"""Of the usual distance between notes, how far they may lie from their times, as RMS."""
_MOST_CELLS = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Matched:
    """Plan indexes and indexes of heard notes, in pairs, and how many share a key."""

    planned: tuple[int, ...]
    heard: tuple[int, ...]
    agreeing: int


def slice_by_order(heard: HeardTake, sheet: SessionSheet, pitch_of: PitchOf) -> SlicedTake | None:
    """Return the notes of a take played by hand, or None where it does not follow the plan."""
    take = slice_unplanned(heard, pitch_of)
    count = len(sheet.notes)
    if count * len(take.pitches) > _MOST_CELLS or len(take.pitches) < _LEAST_NOTES:
        return None
    worths = [_worths(sheet, take.pitches, shift) for shift in _SHIFTS]
    matches = [_aligned(worth) for worth in worths]
    best = max(matches, key=lambda match: match.agreeing)
    line = _line(best, sheet, take)
    if line is None:
        return None
    # Repeats of a key are told apart by their times and levels, now that these are roughly known.
    worth = worths[matches.index(best)]
    unlike = np.where(worth == _SAME, _other_loudness(sheet, take, best), 0.0)
    best = _aligned(worth - _lateness(sheet, take, *line) - unlike)
    latency, drift = _line(best, sheet, take) or line
    plan_index = dict(zip(best.heard, best.planned, strict=True))
    uncertain = _uncertain(best, np.asarray(worth == _SAME), [note.key for note in sheet.notes])
    notes = _named(take.sliced.notes, plan_index, uncertain)
    first, last = best.planned[0], best.planned[-1]
    skipped = set(range(count)) - set(best.planned)
    return replace(
        take.sliced,
        latency_seconds=latency,
        drift_ppm=drift * 1e6,
        notes=notes,
        missing=tuple(sorted(i for i in skipped if first <= i <= last)),
        outside=tuple(sorted(i for i in skipped if not first <= i <= last)),
        onsets_matched=len(best.planned),
        remarks=("played by hand: lined up by the order of its pitches, not by the clock",),
    )


def _uncertain(match: _Matched, same_key: np.ndarray, keys: Sequence[int]) -> set[int]:
    """Return the planned notes that may be another of their key: one is missing, or one too many.

    same_key : whether each planned note (rows) and each heard one sound alike, of their key.
    """
    inside = range(match.planned[0], match.planned[-1] + 1)
    missing = {keys[index] for index in set(inside) - set(match.planned)}
    beside = sorted(set(range(same_key.shape[1])) - set(match.heard))
    twice = {index for index in match.planned if same_key[index, beside].any()}
    return twice | {index for index in match.planned if keys[index] in missing}


def _named(
    notes: Sequence[FoundNote], plan_index: Mapping[int, int], uncertain: Collection[int]
) -> tuple[FoundNote, ...]:
    named, last = [], None
    for number, note in enumerate(notes):
        last = plan_index.get(number, last)
        if number in plan_index:
            doubts = (*note.doubtful, *([_WHICH] if last in uncertain else []))
            named.append(replace(note, plan_index=last, doubtful=doubts))
        else:
            doubts = (*note.doubtful, "not in the plan")
            named.append(replace(note, after_plan_index=last, doubtful=doubts))
    return tuple(named)


def _worths(sheet: SessionSheet, pitches: Sequence[HeardPitch | None], shift: int) -> FloatArray:
    """Return what matching each planned note (rows) with each heard one is worth."""
    keys = [note.key + shift for note in sheet.notes]
    return np.array([[_worth(key, pitch) for pitch in pitches] for key in keys])


def _lateness(sheet: SessionSheet, take: UnplannedTake, latency: float, drift: float) -> FloatArray:
    """Return what being late or early costs each pair of a planned and a heard note, 0..0.4."""
    plan = np.array([note.on_seconds for note in sheet.notes])
    heard = np.array([note.onset_seconds for note in take.sliced.notes])
    gap = float(np.median(np.diff(plan)))
    away = np.abs(heard[None, :] - latency - (1 + drift) * plan[:, None])
    return np.asarray(_TIMELY * np.minimum(1, away / gap))


def _other_loudness(sheet: SessionSheet, take: UnplannedTake, match: _Matched) -> FloatArray:
    """Return what each planned note costs as each heard one for being too loud or soft, 0..0.3.

    The levels of the notes matched so far are fitted by velocity and key.
    """
    planned = np.array([[1.0, note.velocity, note.key] for note in sheet.notes])
    levels = np.array([note.peak_dbfs for note in take.sliced.notes])
    rows, columns = list(match.planned), list(match.heard)
    weights, *_ = np.linalg.lstsq(planned[rows], levels[columns], rcond=None)
    away = np.abs(levels[None, :] - (planned @ weights)[:, None])
    usual = max(_LEAST_SPREAD_DB, float(np.median(away[rows, columns])))
    return np.asarray(_LOUD * np.clip((away - _USUAL_SPREADS * usual) / _FAR_DB, 0, 1))


def _aligned(worth: FloatArray) -> _Matched:
    """Return the best alignment with gaps of planned and heard notes."""
    rows, columns = worth.shape
    best = np.zeros((rows + 1, columns + 1))
    best[:, 0] = _SKIPPED * np.arange(rows + 1)
    best[0] = _SKIPPED * np.arange(columns + 1)
    steps = _SKIPPED * np.arange(columns + 1)
    for row in range(1, rows + 1):
        best[row, 1:] = np.maximum(
            best[row - 1, :-1] + worth[row - 1], best[row - 1, 1:] + _SKIPPED
        )
        best[row] = np.maximum.accumulate(best[row] - steps) + steps
    return _traced(best, worth)


def _traced(best: FloatArray, worth: FloatArray) -> _Matched:
    row, column = worth.shape
    pairs: list[tuple[int, int]] = []
    agreeing = 0
    while row and column:
        if np.isclose(best[row, column], best[row - 1, column - 1] + worth[row - 1, column - 1]):
            row, column = row - 1, column - 1
            if worth[row, column] > 0:
                pairs.append((row, column))
                agreeing += int(worth[row, column] >= _SAME - _TIMELY - _LOUD)
        elif np.isclose(best[row, column], best[row - 1, column] + _SKIPPED):
            row -= 1
        else:
            column -= 1
    pairs.reverse()
    return _Matched(
        planned=tuple(pair[0] for pair in pairs),
        heard=tuple(pair[1] for pair in pairs),
        agreeing=agreeing,
    )


def _worth(key: int, pitch: HeardPitch | None) -> float:
    if pitch is None or pitch.confidence < 0.5:
        return _UNKNOWN
    return _SAME if abs(pitch.key - key) < 0.6 else _OTHER


def _line(match: _Matched, sheet: SessionSheet, take: UnplannedTake) -> tuple[float, float] | None:
    """Return latency and drift where the match is convincing in its keys and its times."""
    count = len(match.planned)
    if count < _LEAST_NOTES or len({sheet.notes[i].key for i in match.planned}) < _LEAST_KEYS:
        return None
    span = match.planned[-1] - match.planned[0] + 1
    if match.agreeing < _LEAST_AGREEING * max(span, len(take.pitches)):
        return None
    plan = np.array([sheet.notes[index].on_seconds for index in match.planned])
    heard = np.array([take.sliced.notes[index].onset_seconds for index in match.heard])
    slope, start = np.polyfit(plan, heard, 1)
    distance = float(np.sqrt(np.mean((heard - start - slope * plan) ** 2)))
    if abs(slope - 1) > _MOST_SLOPE or distance > _MOST_DISTANCE * float(np.median(np.diff(plan))):
        return None
    return float(start), float(slope) - 1
