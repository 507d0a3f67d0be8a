"""How far stretches of band levels lie from every stretch of a sustain."""

from __future__ import annotations

import numpy as np


def patch_distances_db(levels_db: np.ndarray, patches_db: np.ndarray, every: int) -> np.ndarray:
    """Return the rms differences of each patch from every place, shape (places, patches).

    |a - b|^2 = |a|^2 + |b|^2 - 2 a.b, one matrix product for each time of a patch that counts.

    levels_db : float, shape (times, levels); best near zero mean.
    patches_db : float, shape (patches, width, levels). every : of its times the n-th counts.
    """
    steps = np.arange(0, patches_db.shape[1], every)
    places = len(levels_db) - patches_db.shape[1] + 1
    squares = np.einsum("ij,ij->i", levels_db, levels_db)
    cross = np.zeros((places, len(patches_db)), dtype=levels_db.dtype)
    energy = np.zeros(places, dtype=levels_db.dtype)
    for step in steps:
        cross += levels_db[step : step + places] @ patches_db[:, step].T
        energy += squares[step : step + places]
    counted = patches_db[:, steps]
    squared = energy[:, None] + np.einsum("ijk,ijk->i", counted, counted) - 2 * cross
    return np.asarray(np.sqrt(np.maximum(squared, 0) / (len(steps) * levels_db.shape[1])))
