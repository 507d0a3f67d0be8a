"""A written loop, judged on the audio it lies in."""

from __future__ import annotations

import math

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.measuring.cycle import cycle_hz, is_cycle
from keymapper.measuring.join import join_audibility
from keymapper.measuring.levels import rms_dbfs
from keymapper.model.loop import JoinAudibility, Loop
from keymapper.model.sample_facts import JudgedLoop

LONGEST_TUNED_SECONDS = 0.3
"""A longer loop is mistuned by less than its join is heard."""


def judged_loop(samples: np.ndarray, rate: int, loop: Loop, f0_hz: float | None) -> JudgedLoop:
    """Return how audible a loop's join is, how far it falls and how far it mistunes the note.

    The note around the loop is its own yardstick: what the join does more than the rest does.

    samples : float, shape (frames, channels), free of DC.
    """
    inside = 0 <= loop.start_frame < loop.end_frame <= len(samples)
    return JudgedLoop(
        loop=loop,
        join=_join(samples, rate, loop) if inside else None,
        fall_db=_fall_db(samples[loop.start_frame : loop.end_frame]) if inside else 0.0,
        mistuned_cents=_mistuned_cents(loop, rate, f0_hz) if inside else None,
        cycle_hz=cycle_hz(samples, rate) if is_cycle(loop, len(samples), rate) else None,
    )


def _join(samples: np.ndarray, rate: int, loop: Loop) -> JoinAudibility | None:
    try:
        return join_audibility(samples, samples, rate, loop)
    except MeasurementError:
        return None


def _fall_db(samples: np.ndarray) -> float:
    third = len(samples) // 3
    if third == 0:
        return 0.0
    return rms_dbfs(samples[:third]) - rms_dbfs(samples[-third:])


def _mistuned_cents(loop: Loop, rate: int, f0_hz: float | None) -> float | None:
    """How sharp the nearest whole number of periods makes the note (f = n rate / length)."""
    if f0_hz is None or loop.length_frames > LONGEST_TUNED_SECONDS * rate:
        return None
    periods = loop.length_frames * f0_hz / rate
    whole = round(periods)
    return 1200 * math.log2(whole / periods) if whole else None
