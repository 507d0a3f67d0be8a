"""Short files that are looped whole: the cycle of a wave, as chips and wave tables have it."""

from __future__ import annotations

import numpy as np

from keymapper.model.loop import Loop

LONGEST_CYCLE_SECONDS = 0.05
CYCLE_LINE_DB = -40.0
CYCLE_HARMONICS, CYCLE_SHARE = 16, 0.5
"""So many harmonics hold so much of the power of a wave that has a pitch."""


def is_cycle(loop: Loop, frames: int, rate: int) -> bool:
    """Say whether a loop is all of a short file: the cycle of a wave."""
    is_whole = (loop.start_frame, loop.end_frame) == (0, frames)
    return is_whole and frames < LONGEST_CYCLE_SECONDS * rate


def cycle_hz(samples: np.ndarray, rate: int) -> float | None:
    """Return what a wave sounds at that is repeated as it is; None for silence and noise.

    All its lines are harmonics of the repetition; those that matter may all be multiples of a
    higher one, where several cycles are drawn.
    """
    if not np.ptp(samples, axis=0).any():
        return None
    power = (np.abs(np.fft.rfft(samples, axis=0)) ** 2).sum(axis=1)
    power[0] = 0.0
    total = float(power.sum())
    lines = np.flatnonzero(power >= power.max() * 10 ** (CYCLE_LINE_DB / 10))
    cycles = int(np.gcd.reduce(lines))
    harmonics = power[cycles : CYCLE_HARMONICS * cycles + 1 : cycles]
    return cycles * rate / len(samples) if harmonics.sum() >= CYCLE_SHARE * total else None
