"""All cues of a join together."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.measuring.join.cycling import going_round
from keymapper.measuring.join.levels import FINE, THIRDS, WIDE, sides
from keymapper.measuring.join.novelty import Ground, measure_natural, novelties_db
from keymapper.measuring.join.pitch_step import pitch_step_db
from keymapper.measuring.join.sustain import natural_range
from keymapper.model.loop import JoinAudibility, Loop

FLOOR_DB = -20.0
FINE_SECONDS, FINE_LEAD_SECONDS = 2.0, 0.5
CLICK_REACH_SECONDS, CLICK_DB = 0.008, 2.0
STEP_REACH_SECONDS, STEP_DB = 0.120, 0.6
_NOTHING_HEARD = [-math.inf, -math.inf]


def join_audibility(
    reference: np.ndarray, played: np.ndarray, rate: int, loop: Loop
) -> JoinAudibility:
    """Return how far each cue of a loop's join lies over its threshold, in dB, at least -20.

    Click, step and level compare the surroundings of the join with the nearest the note does by
    itself; wobble and repetition look at the loop going round; pitch at the step of tuning.

    reference : float, shape (frames, channels): the note as recorded (flattened where the shipped
        audio is).
    played : float, same channels and frame positions, at least up to the loop's end: what ships.
    rate : frames a second.

    Raises MeasurementError for a loop outside the audio.
    """
    start, end = loop.start_frame, loop.end_frame
    if not 0 <= start < end <= min(len(played), len(reference)):
        raise MeasurementError(
            f"loop {start}..{end} does not lie inside the audio of {len(played)} frames"
        )
    first, last = natural_range(reference, rate, start, end)
    ground = Ground(
        natural=sides(reference[first:last]),
        natural_start=first,
        shipped=sides(played),
        rate=rate,
        start=start,
        end=end,
    )
    natural = measure_natural(ground, THIRDS, WIDE)
    step, level = novelties_db(ground, natural, STEP_REACH_SECONDS, STEP_DB) or _NOTHING_HEARD
    near = _near_the_start(ground)
    fine = measure_natural(near, FINE)
    (click,) = novelties_db(near, fine, CLICK_REACH_SECONDS, CLICK_DB) or _NOTHING_HEARD[:1]
    going = going_round(ground, natural[0]) if natural else None
    wobble = going.wobble_db if going else None
    repetition = going.repetition_db if going else None
    pitch = pitch_step_db(ground)
    cues = [cue for cue in (click, step, level, wobble, repetition, pitch) if cue is not None]
    return JoinAudibility(
        click_db=_floored(click),
        step_db=_floored(step),
        level_db=_floored(level),
        wobble_db=None if wobble is None else _floored(wobble),
        repetition_db=None if repetition is None else _floored(repetition),
        pitch_db=_floored(pitch),
        worst_db=_floored(max(cues)),
        frozen_db=round(going.frozen_db, 2) if going else None,
    )


def _near_the_start(ground: Ground) -> Ground:
    """Keep 2 s of the natural sustain about the loop's start: what a join should sound like.

    The fine analysis has ten times the frames of the others.
    """
    first = max(0, ground.start - round(FINE_LEAD_SECONDS * ground.rate) - ground.natural_start)
    natural = ground.natural[:, first : first + round(FINE_SECONDS * ground.rate)]
    return replace(ground, natural=natural, natural_start=ground.natural_start + first)


def _floored(decibels: float) -> float:
    return round(max(FLOOR_DB, decibels), 2) if not math.isnan(decibels) else FLOOR_DB
