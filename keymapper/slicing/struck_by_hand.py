"""Notes played by hand to the clock: each begins where it was struck, not where it was due."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.note_times import timed_notes
from keymapper.slicing.novelty import Candidate
from keymapper.slicing.timing import Asked, is_slow

_STRIKE_STRENGTH = 0.3
_REACH_SECONDS, _REACH_OF_GAP = 0.15, 0.3
"""So far from where it is due a note is looked for, and by so much of the way to the next one."""
_MOST, _STEADY_SECONDS = 0.8, 0.012
"""Most notes of a sequencer lie within so much of their times; strikes are known to 10 ms."""
_LEAST_NOTES = 6
_LAG_SECONDS = 0.006
"""So long after key-down, at most, a strike is heard."""


def as_struck(heard: HeardTake, asked: Sequence[Asked]) -> list[Asked]:
    """Return the notes of a plan, those of patches that were played by hand where they were struck.

    Slow patches stay where the clock has them: what is heard of them comes now sooner, now later.
    """
    strikes = [one for one in heard.candidates if one.strength >= _STRIKE_STRENGTH]
    struck: list[Asked] = []
    for patch in sorted({one.patch for one in asked}):
        notes = [one for one in asked if one.patch == patch]
        moved = _struck_notes(notes, strikes)
        struck += (
            moved if moved is not None and _were_played_by_hand(heard, notes, moved) else notes
        )
    return _one_after_another(sorted(struck, key=lambda one: one.plan_index))


def _struck_notes(asked: Sequence[Asked], strikes: Sequence[Candidate]) -> list[Asked] | None:
    """Return the notes of a patch moved to their strikes; None where they keep the plan's time."""
    found = [_strike_of(one, strikes) for one in asked]
    late = [
        (one.key, strike.seconds - one.expected_seconds)
        for one, strike in zip(asked, found, strict=True)
        if strike is not None
    ]
    if len(late) < max(_LEAST_NOTES, _MOST * len(asked)) or are_steady(late):
        return None
    return [
        one if strike is None else _moved(one, strike.seconds - _LAG_SECONDS)
        for one, strike in zip(asked, found, strict=True)
    ]


def _were_played_by_hand(heard: HeardTake, due: Sequence[Asked], moved: Sequence[Asked]) -> bool:
    """Say whether notes that are timed where they were struck lie off the clock, too.

    Of soft notes in noise, strikes are heard late; of slow ones, now sooner, now later.
    """
    timed = timed_notes(heard, moved)
    late = [
        (one.key, note.onset_seconds - one.expected_seconds)
        for note, one in zip(timed, due, strict=True)
        if note.onset_seconds is not None
    ]
    return not is_slow(timed) and not are_steady(late)


def are_steady(late: Sequence[tuple[int | None, float]]) -> bool:
    """Say whether most notes are as late as the others of their key, or as all.

    late : with the key of each. Sounds of other keys may begin after other silences.
    """
    of_key = defaultdict(list)
    for key, seconds in late:
        of_key[key].append(seconds)
    usual = np.median([seconds for _, seconds in late]) if late else 0.0
    off = [
        abs(seconds - (np.median(of_key[key]) if len(of_key[key]) > 1 else usual))
        for key, seconds in late
    ]
    return not off or float(np.quantile(off, _MOST)) <= _STEADY_SECONDS


def _strike_of(asked: Asked, strikes: Sequence[Candidate]) -> Candidate | None:
    """Return the strongest strike near where a note is due. strikes : in order of time."""
    gap = asked.until_seconds - asked.expected_seconds
    reach = min(_REACH_SECONDS, _REACH_OF_GAP * gap)
    first = bisect_left(strikes, asked.expected_seconds - reach, key=_seconds)
    end = bisect_right(strikes, asked.expected_seconds + reach, key=_seconds)
    return max(strikes[first:end], key=lambda one: one.strength, default=None)


def _seconds(strike: Candidate) -> float:
    return strike.seconds


def _moved(asked: Asked, seconds: float) -> Asked:
    expected = max(0.0, seconds)
    off = asked.off_seconds + expected - asked.expected_seconds
    return replace(asked, expected_seconds=expected, off_seconds=min(off, asked.until_seconds))


def _one_after_another(asked: Sequence[Asked]) -> list[Asked]:
    """Return notes that end, at the latest, where the next one was struck."""
    following = [one.expected_seconds for one in asked[1:]] + [np.inf]
    return [
        one
        if start >= one.until_seconds
        else replace(one, off_seconds=min(one.off_seconds, start), until_seconds=start)
        for one, start in zip(asked, following, strict=True)
    ]
