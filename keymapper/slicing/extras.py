"""Onsets that no planned note explains: struck twice, or not in the plan at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.slicing.course import Course
from keymapper.slicing.novelty import Candidate, Novelty
from keymapper.slicing.presence import new_share
from keymapper.slicing.timing import Timed

_NEAR_SECONDS = (0.06, 0.12)
_RELEASE_SECONDS = 0.08
_LEAST_STRENGTH = 0.2
_LEAST_SHARE = 0.2
_TYPICAL_SHARE = 0.5
"""An extra note must be this near in strength to the weakest tenth of the planned ones."""
_EARLY_SECONDS = 0.008
_START_SECONDS = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """A note that was not planned; its place in the plan."""

    seconds: float
    after_plan_index: int | None
    doubles_plan_index: int | None


def extra_onsets(
    course: Course, novelty: Novelty, candidates: Sequence[Candidate], notes: Sequence[Timed]
) -> list[Extra]:
    """Return the onsets beside the planned notes that are as sudden as those.

    What swells, beats or is let go is told from a note by how much of the sound is new at once.
    """
    onsets = np.array([note.onset_seconds or 0.0 for note in notes])
    least = max(_LEAST_STRENGTH, _TYPICAL_SHARE * _weakest_strength(novelty, onsets))
    extras = []
    for candidate in candidates:
        if candidate.strength < least or candidate.seconds < _START_SECONDS:
            continue
        before = int(np.searchsorted(onsets, candidate.seconds + _NEAR_SECONDS[0])) - 1
        near = candidate.seconds - onsets
        if bool(((near > -_NEAR_SECONDS[0]) & (near < _NEAR_SECONDS[1])).any()):
            continue
        note = notes[before] if before >= 0 else None
        let_go = note is not None and abs(candidate.seconds - note.asked.off_seconds)
        if let_go is not False and let_go < _RELEASE_SECONDS and candidate.strength < 0.5:
            continue
        if new_share(course, novelty, candidate.seconds, candidate.seconds + 0.25) < _LEAST_SHARE:
            continue
        is_double = note is not None and candidate.seconds < note.asked.off_seconds
        index = note.asked.plan_index if note is not None else None
        extras.append(
            Extra(
                seconds=candidate.seconds - _EARLY_SECONDS,
                after_plan_index=index,
                doubles_plan_index=index if is_double else None,
            )
        )
    return extras


def _weakest_strength(novelty: Novelty, onsets: np.ndarray) -> float:
    """Return the tenth percentile of the novelty at the planned notes."""
    strengths = []
    for seconds in onsets:
        first = max(0, round((seconds - 0.02) / novelty.hop_seconds))
        end = first + round(0.08 / novelty.hop_seconds)
        strengths.append(float(novelty.share[first:end].max(initial=0.0)))
    return float(np.percentile(strengths, 10)) if strengths else 0.0
