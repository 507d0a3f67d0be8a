"""Whether what surrounds a join, as it will be faded, is like anything the note does by itself."""

from __future__ import annotations

import numpy as np

REACH_HOPS = 12
COMPARED_EVERY = 2
SAMPLED_MOMENTS = 24
LEAST_USUAL_DB = 0.6
SHORTEST_FADE_HOPS = 0.4


def faded_levels_db(
    leaving_db: np.ndarray, arriving_db: np.ndarray, fade_hops: np.ndarray
) -> np.ndarray:
    """Return the levels around joins whose crossfade keeps the energy: (1 - f) Pa + f Pb.

    leaving_db, arriving_db : shape (joins, 2 * REACH_HOPS + 1, levels), around end and start.
    fade_hops : length of each crossfade, which is over at the join.
    """
    hops = np.arange(-REACH_HOPS, REACH_HOPS + 1)
    part = np.clip(1 + hops / np.maximum(fade_hops, SHORTEST_FADE_HOPS)[:, None], 0, 1)
    part = part[:, :, None].astype(leaving_db.dtype)
    mixed = (1 - part) * 10 ** (leaving_db / 10) + part * 10 ** (arriving_db / 10)
    return np.asarray(10 * np.log10(mixed))


def unlikeness(
    levels_db: np.ndarray, joins_db: np.ndarray, starts: np.ndarray, ends: np.ndarray
) -> np.ndarray:
    """Return how far joins lie from the nearest like moment, in parts of what is usual.

    The rms level difference at the moment where it is least, moments over the loop's own start
    and end left out; usual is the 95th percentile of the same for moments of the note itself.
    0 where the sustain is too short to tell.

    levels_db : shape (times, levels). joins_db : shape (joins, 2 * REACH_HOPS + 1, levels).
    starts, ends : int, times of each loop.
    """
    width = joins_db.shape[1]
    places = len(levels_db) - width + 1
    if places < 3:
        return np.zeros(len(joins_db))
    offset = levels_db.mean(axis=0)
    levels = levels_db - offset
    moments = np.unique(np.linspace(0, places - 1, SAMPLED_MOMENTS).astype(int))
    hops = np.arange(0, width, COMPARED_EVERY)
    own = levels[moments[:, None] + hops]
    patches = np.concatenate([joins_db[:, hops] - offset, own])
    squared = _squared_distances(levels, patches, hops)
    place = np.arange(places)[:, None]
    centre = place + width // 2
    taken = np.minimum(np.abs(centre - starts), np.abs(centre - ends)) < width // 2
    taken[:, taken.all(axis=0)] = False
    squared[:, : len(joins_db)][taken] = np.inf
    squared[:, len(joins_db) :][np.abs(place - moments) < width // 2] = np.inf
    nearest = np.sqrt(np.maximum(squared.min(axis=0), 0) / (len(hops) * levels.shape[1]))
    by_itself = nearest[len(joins_db) :]
    by_itself = by_itself[np.isfinite(by_itself)]
    usual = 1.12 * float(np.percentile(by_itself, 95)) if len(by_itself) else 0.0
    return np.asarray(nearest[: len(joins_db)] / max(usual, LEAST_USUAL_DB))


def _squared_distances(levels: np.ndarray, patches: np.ndarray, hops: np.ndarray) -> np.ndarray:
    """Return squared differences of each patch from every place, shape (places, patches)."""
    places = len(levels) - int(hops[-1])
    squares = np.einsum("ij,ij->i", levels, levels)
    total = np.zeros((places, len(patches)), dtype=levels.dtype)
    energy = np.zeros(places, dtype=levels.dtype)
    for step, hop in enumerate(hops):
        total -= 2 * (levels[hop : hop + places] @ patches[:, step].T)
        energy += squares[hop : hop + places]
    return np.asarray(total + energy[:, None] + np.einsum("ijk,ijk->i", patches, patches))
