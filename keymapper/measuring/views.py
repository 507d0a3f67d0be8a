"""Powers in bands of what is listened to: the mono, or left, right and their mean."""

from __future__ import annotations

import numpy as np


def view_powers(spectra: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return the band powers of every view, shape (views, times, bands).

    A stereo sound has three views, so that its image and its mono sum count; any other as many as
    channels.

    spectra : complex64, shape (channels, times, bins).
    weights : float32, shape (bins, bands), not below 0.
    """
    stereo = len(spectra) == 2
    squares = np.empty((len(spectra) + stereo, *spectra.shape[1:]), dtype=np.float32)
    np.abs(spectra, out=squares[: len(spectra)])
    if stereo:
        np.abs(spectra[0] + spectra[1], out=squares[2])
    squares *= squares
    powers = np.asarray(squares @ weights)
    if stereo:
        powers[2] *= 0.25  # of the mean, not the sum
    return powers
