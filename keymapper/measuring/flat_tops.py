"""Peaks cut flat below full scale: a recording that was clipped before it was turned down."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.steps import step_of

LEAST_FRAMES = 3
LEAST_TOPS = 4
"""Of one side of a wave: the highest peak alone may be flat by chance."""
FLAT = 2.5 / 32768
"""How much the frames of a flat top differ by where dither was added."""
EDGE_FRAMES = 2
EDGE_IN_FLATS = 16.0
"""A smooth peak as flat has fallen by less this far outside; what was cut off falls at once."""
JUMP_RATIO = 0.25
"""A top that is reached and left by jumps over more of its height belongs to a square wave."""


def flat_top_frames(samples: np.ndarray) -> int:
    """Return the number of frames in peaks that were cut flat, all channels together.

    Flat tops are runs of equal frames at the highest or the lowest value of a channel. Waves that
    are made of steps or of jumps, and smooth peaks, are none. Silence has none.

    samples : float, shape (frames, channels), as stored.
    """
    flat = max(FLAT, 1.01 * step_of(samples))
    return sum(_frames(side, flat) for channel in samples.T for side in (channel, -channel))


def _frames(side: np.ndarray, flat: float) -> int:
    """Return the frames in flat tops at the highest value of a wave, shape (frames,)."""
    top = float(side.max(initial=0.0))
    starts, ends = _runs(side >= top - flat)
    if top <= EDGE_IN_FLATS * flat or len(starts) < LEAST_TOPS:
        return 0
    inside = (starts >= EDGE_FRAMES) & (ends <= len(side) - EDGE_FRAMES)
    starts, ends = starts[inside], ends[inside]
    falls = top - np.stack([side[starts - EDGE_FRAMES], side[ends - 1 + EDGE_FRAMES]])
    jumps = top - np.stack([side[starts - 1], side[ends]])
    cut = (falls.min(axis=0) >= EDGE_IN_FLATS * flat) & (jumps.min(axis=0) <= JUMP_RATIO * top)
    if np.count_nonzero(cut) < LEAST_TOPS or _is_stepped(side, top, flat):
        return 0
    return int((ends - starts)[cut].sum())


def _is_stepped(side: np.ndarray, top: float, flat: float) -> bool:
    """Say whether a wave stays level between its extremes as well as at the highest value."""
    stays = np.abs(np.diff(side)) <= flat
    starts, ends = _runs(stays, LEAST_FRAMES - 1)
    heights = side[starts] / top
    between = (np.abs(heights) > 0.1) & (np.abs(heights) < 0.9)
    at_top = heights >= 0.9
    return int((ends - starts)[between].sum()) > int((ends - starts)[at_top].sum())


def _runs(mask: np.ndarray, least: int = LEAST_FRAMES) -> tuple[np.ndarray, np.ndarray]:
    """Return the first index of each run of true values, and the one after its last."""
    places = np.flatnonzero(mask)
    starts = places[np.diff(places, prepend=-2) > 1]
    ends = places[np.diff(places, append=len(mask) + 1) > 1] + 1
    long = ends - starts >= least
    return starts[long], ends[long]
