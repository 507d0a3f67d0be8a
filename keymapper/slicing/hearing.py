"""A take streamed once, with all that the later steps ask of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.slicing.background import hum_base_hz
from keymapper.slicing.course import TakeAudio, TakeCourse, course_of
from keymapper.slicing.levels import Levels, levels_of, ratio_to_db
from keymapper.slicing.novelty import Candidate, Novelty, candidates_of, novelty_of

_LEAST_NOVELTY = 0.05
_SILENT_PEAK = 1e-4
_LEAST_BLOCKS = 100


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardTake:
    """The levels of a take, its novelty, and the moments at which notes may begin."""

    take: TakeAudio
    levels: Levels
    novelty: Novelty
    candidates: tuple[Candidate, ...]
    hum_hz: float | None

    @property
    def course(self) -> TakeCourse:
        """Return the course the levels are taken from."""
        return self.levels.course


def hear_take(take: TakeAudio, progress: Callable[[int], None] | None = None) -> HeardTake:
    """Stream a take once.

    progress : called with the number of frames that are done.

    Raises MeasurementError for a take shorter than 0.1 s or without any sound.
    """
    course = course_of(take, progress)
    if len(course.power) < _LEAST_BLOCKS:
        raise MeasurementError("the take is shorter than 0.1 s; there is nothing to cut.")
    peak = float(course.peak.max())
    if peak < _SILENT_PEAK:
        raise MeasurementError(
            f"the take is silent (its peak is {ratio_to_db(peak):.0f} dBFS); "
            "check what was recorded."
        )
    levels = levels_of(course)
    novelty = novelty_of(course)
    first = round(levels.noise_seconds * take.rate_hz)
    quiet = take.read(first, first + round(0.1 * take.rate_hz)).astype(np.float64)
    return HeardTake(
        take=take,
        levels=levels,
        novelty=novelty,
        candidates=candidates_of(novelty, _LEAST_NOVELTY),
        hum_hz=hum_base_hz(quiet, take.rate_hz),
    )
