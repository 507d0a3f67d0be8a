"""How far stretches of band levels lie from every stretch of a sustain."""

from __future__ import annotations

import numpy as np


def patch_distances_db(levels_db: np.ndarray, patches_db: np.ndarray, every: int) -> np.ndarray:
    """Return the rms differences of each patch from every place, shape (places, patches).

    |a - b|^2 = |a|^2 + |b|^2 - 2 a.b; one matrix product serves every place and time of a patch.

    levels_db : float, shape (times, levels); best near zero mean.
    patches_db : float, shape (patches, width, levels). every : of its times the n-th counts.
    """
    counted = patches_db[:, ::every]
    patches, steps, levels = counted.shape
    places = len(levels_db) - patches_db.shape[1] + 1
    products = counted.transpose(1, 0, 2).reshape(-1, levels) @ levels_db.T
    products = products.reshape(steps, patches, len(levels_db))
    squares = np.einsum("ij,ij->i", levels_db, levels_db)
    cross = np.zeros((patches, places), dtype=levels_db.dtype)
    energy = np.zeros(places, dtype=levels_db.dtype)
    for step, first in enumerate(range(0, patches_db.shape[1], every)):
        cross += products[step, :, first : first + places]
        energy += squares[first : first + places]
    squared = energy + np.einsum("ijk,ijk->i", counted, counted)[:, None] - 2 * cross
    return np.asarray(np.sqrt(np.maximum(squared, 0) / (steps * levels)).T)
