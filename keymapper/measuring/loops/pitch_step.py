"""How many cents apart two places of a note sound."""

from __future__ import annotations

import math

import numpy as np

from keymapper.measuring.loops.likeness import YARDSTICK
from keymapper.measuring.loops.waveform import CoarseWave
from keymapper.measuring.pitch_shift import CentGrid, pitch_shifts_cents, spread_firsts

WINDOW_SECONDS = 0.120
GRID = CentGrid(step_cents=5.0, reach_cents=60.0, highest_hz=6000.0)
JUST_HEARD_CENTS = 5.0
#: Where a note's own moments step nearly as far as is looked for, there is no tone to follow.
LOST_CENTS = 54.0
#: Of a lower tone the window holds too few for its partials to stand apart.
LEAST_PERIODS = 5
NATURAL_PAIRS = 12


def pitch_steps_cents(coarse: CoarseWave, ends: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Return the steps from the 120 ms before each end to the 120 ms after each start, in cents.

    Of the channels together; 0 where the sustain has no such stretch.

    ends, starts : int, frames of the note.
    """
    window = round(WINDOW_SECONDS * coarse.rate_hz)
    steps = np.zeros(len(ends))
    firsts = np.stack([coarse.index_of(ends) - window, coarse.index_of(starts)])
    heard = np.flatnonzero((firsts[0] >= 0) & (firsts[1] + window <= coarse.wave.shape[1]))
    if len(heard) == 0:
        return steps
    mono = coarse.mono()
    before, after = (
        mono[:, places[heard, None] + np.arange(window)].swapaxes(0, 1) for places in firsts
    )
    steps[heard] = steps_cents(before, after, coarse.rate_hz)
    return steps


def usual_step_cents(sustain: np.ndarray, rate_hz: float, f0_hz: float | None = None) -> float:
    """Return the step of pitch in cents that nearly all moments of a sustain keep under.

    At least what is just heard; infinite where steps tell nothing.

    sustain : float, shape (channels, frames).
    """
    if f0_hz is not None and f0_hz * WINDOW_SECONDS < LEAST_PERIODS:
        return math.inf
    window = round(WINDOW_SECONDS * rate_hz)
    last = sustain.shape[1] - 2 * window
    if last < 0:
        return JUST_HEARD_CENTS
    firsts = spread_firsts(last, NATURAL_PAIRS)
    both = sustain[:, firsts[:, None] + np.arange(2 * window)].swapaxes(0, 1)
    steps = np.abs(steps_cents(both[:, :, :window], both[:, :, window:], rate_hz))
    usual = float(np.percentile(steps, 95))
    return max(JUST_HEARD_CENTS, YARDSTICK * usual) if usual < LOST_CENTS else math.inf


def steps_cents(before: np.ndarray, after: np.ndarray, rate_hz: float) -> np.ndarray:
    """Return the step of pitch from each stretch of audio to its partner, in cents.

    before, after : float, shape (pairs, channels, frames).
    """
    return pitch_shifts_cents(before, after, rate_hz, GRID)
