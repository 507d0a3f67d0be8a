"""Small tools of spectra: the window that all of them are seen through, and tops of peaks."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.pitch.sustain import Array


def hann(points: int) -> Array:
    """Return a Hann window, float64, shape (points,), whose ends are half a point from 0."""
    return np.asarray(0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(points) + 0.5) / points))


def peak_offsets(left: Array, top: Array, right: Array, *, least_bend: float = 1e-9) -> Array:
    """Return where a parabola through three points each has its top, from the middle one.

    At most half a point to either side; a top that is flatter than `least_bend` counts as that.
    """
    bend = np.minimum(left - 2 * top + right, -least_bend)
    return np.asarray(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
