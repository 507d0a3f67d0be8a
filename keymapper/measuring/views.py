"""Powers in bands of what is listened to: the mono, or left, right and their mean."""

from __future__ import annotations

import numpy as np


def view_powers(spectra: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return the band powers of every view, shape (views, times, bands), not below 0.

    A stereo sound has three views, so that its image and its mono sum count; any other as many as
    channels. |(L + R) / 2|^2 = (|L|^2 + |R|^2) / 4 + Re(L R*) / 2.

    spectra : complex64, shape (channels, times, bins), the bins of a time one after the other.
    weights : float32, shape (bins, bands).
    """
    channels = len(spectra)
    parts = spectra.view(np.float32)  # real and imaginary by turns
    squares = np.empty((3 if channels == 2 else channels, *spectra.shape[1:]), dtype=np.float32)
    _add_pairs(parts * parts, squares[:channels])
    if channels == 2:
        _add_pairs(parts[0] * parts[1], squares[2])
    powers = np.asarray(squares @ weights)
    if channels == 2:
        powers[2] = 0.25 * (powers[0] + powers[1]) + 0.5 * powers[2]
    return np.asarray(np.maximum(powers, 0.0, out=powers))


def _add_pairs(values: np.ndarray, sums: np.ndarray) -> None:
    np.add(values[..., 0::2], values[..., 1::2], out=sums)
