"""Onsets that no planned note explains: struck twice, or not in the plan at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.slicing.course import TakeCourse
from keymapper.slicing.novelty import Candidate, Novelty
from keymapper.slicing.presence import new_share
from keymapper.slicing.timing import Timed

_BEFORE_SECONDS = 0.06
_AFTER_SECONDS = 0.08
_AFTER_SLOW_SECONDS = 0.15
_RELEASE_SECONDS = 0.08
_LEAST_STRENGTH = 0.1
_HELD_RATIO = 2.6
"""An onset is at least so much more sudden than what goes on in four of five held notes."""
_HELD_SECONDS = (0.09, 0.06)
_LET_GO_STRENGTH = 0.42
_WHOLLY_NEW = 0.8
"""So much of the sound is new only where another note begins, unless the key held makes it so."""
_LEAST_SHARE, _NEW_SECONDS = 0.03, 0.25
_AS_MUCH, _SAME_DELAY_SECONDS = 0.7, 0.03
"""What a key does whenever it is held comes as late after its onset, and is about as strong."""
_BEATS = 2
"""Nobody strikes a key so many times too often."""
_EARLY_SECONDS = 0.008
_START_SECONDS = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """A note that was not planned; its place in the plan."""

    seconds: float
    after_plan_index: int | None
    doubles_plan_index: int | None


def extra_onsets(
    course: TakeCourse, novelty: Novelty, candidates: Sequence[Candidate], notes: Sequence[Timed]
) -> list[Extra]:
    """Return the onsets beside the planned notes.

    What a patch does while its keys are held (beating, swelling, breathing) says how sudden an
    onset must be to count; once a key is let go, what is wholly new counts whatever that is. What
    comes as late in another note of the same key is the patch's doing, too. From when its key goes
    down, a sound is that of the planned note, though it becomes audible later.
    """
    onsets = np.array([note.onset_seconds or 0.0 for note in notes])
    expected = np.array([note.asked.expected_seconds for note in notes])
    before = onsets - np.minimum(onsets, expected) + _BEFORE_SECONDS
    after = np.array([_AFTER_SECONDS if n.abrupt else _AFTER_SLOW_SECONDS for n in notes])
    least = max(_LEAST_STRENGTH, _HELD_RATIO * _held_novelty(novelty, notes))
    extras = []
    for candidate in candidates:
        away = candidate.seconds - onsets
        if candidate.seconds < _START_SECONDS or candidate.strength < min(least, _WHOLLY_NEW):
            continue
        if bool(((away > -before) & (away < after)).any()):
            continue
        last = int((away > 0).sum()) - 1
        note = notes[last].asked if last >= 0 else None
        let_go = note is not None and abs(candidate.seconds - note.off_seconds) < _RELEASE_SECONDS
        if let_go and candidate.strength < _LET_GO_STRENGTH:
            continue
        is_held = note is not None and candidate.seconds < note.off_seconds + _RELEASE_SECONDS
        if is_held and candidate.strength < least:
            continue
        next_start = float(onsets[last + 1 : last + 2].min(initial=np.inf)) - _BEFORE_SECONDS
        stop = min(candidate.seconds + _NEW_SECONDS, next_start)
        if new_share(course, novelty, candidate.seconds, stop) < _LEAST_SHARE:
            continue
        is_double = note is not None and candidate.seconds < note.off_seconds
        if is_double and _comes_again(novelty, candidate, notes[last], notes):
            continue
        index = None if note is None else note.plan_index
        extras.append(
            Extra(
                seconds=candidate.seconds - _EARLY_SECONDS,
                after_plan_index=index,
                doubles_plan_index=index if is_double else None,
            )
        )
    return extras


def beating_notes(extras: Sequence[Extra]) -> frozenset[int]:
    """Return the plan indexes of notes in which something begins again and again: as beats do."""
    doubled = Counter(extra.doubles_plan_index for extra in extras)
    return frozenset(
        index for index, count in doubled.items() if index is not None and count >= _BEATS
    )


def others_of_key(note: Timed, notes: Sequence[Timed]) -> list[Timed]:
    """Return the other notes of a patch that have the key of one, as far as keys are known."""
    sound = note.asked.patch, note.asked.key
    return [
        other
        for other in notes
        if other is not note
        and note.asked.key is not None
        and (other.asked.patch, other.asked.key) == sound
    ]


def _comes_again(
    novelty: Novelty, candidate: Candidate, note: Timed, notes: Sequence[Timed]
) -> bool:
    """Say whether another note of a key has an onset like it as late after its own."""
    late = candidate.seconds - (note.onset_seconds or 0.0)
    for other in others_of_key(note, notes):
        seconds = (other.onset_seconds or 0.0) + late
        first = round((seconds - _SAME_DELAY_SECONDS) / novelty.hop_seconds)
        end = round((seconds + _SAME_DELAY_SECONDS) / novelty.hop_seconds) + 1
        is_held = seconds + _SAME_DELAY_SECONDS < other.asked.off_seconds
        highest = float(novelty.share[max(0, first) : max(0, end)].max(initial=0.0))
        if is_held and highest >= _AS_MUCH * candidate.strength:
            return True
    return False


def _held_novelty(novelty: Novelty, notes: Sequence[Timed]) -> float:
    """Return the highest novelty within a held note, the 80th percentile over the notes."""
    highest = []
    for note in notes:
        start = (note.onset_seconds or 0.0) + _HELD_SECONDS[0]
        end = min(note.asked.off_seconds, note.asked.until_seconds) - _HELD_SECONDS[1]
        first = round(start / novelty.hop_seconds)
        held = novelty.share[first : round(end / novelty.hop_seconds)]
        if len(held):
            highest.append(float(held.max()))
    return float(np.percentile(highest, 80)) if highest else 0.0
