"""Whether what surrounds a join is like anything the note does by itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.patches import patch_distances_db

SAMPLED_MOMENTS = 24
USUAL_SHARE = 0.95
YARDSTICK = 1.12
#: A listener compares with what was heard lately: so long before and after the loop.
HEARD_SECONDS = 1.5
SHORTEST_FADE_HOPS = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moments:
    """The moments of a sustain: what joins are compared with.

    A moment is ``reach`` hops to both sides of a time, of which every ``every``-th counts.
    ``levels_db``, shape (times, levels), are less their ``mean_db``; ``apart_db`` holds how far
    each of the ``sampled`` moments lies from every other, shape (moments, sampled), infinite where
    they overlap. Differences under ``least_db`` are usual in any note.
    """

    levels_db: np.ndarray
    mean_db: np.ndarray
    sampled: np.ndarray
    apart_db: np.ndarray
    reach: int
    every: int
    heard_hops: int
    least_db: float


def measure_moments(
    levels_db: np.ndarray, hop_seconds: float, *, reach: int, every: int, least_db: float
) -> Moments | None:
    """Return the moments of a sustain, one level and band each; None where it is too short.

    levels_db : float, shape (times, levels).
    """
    places = len(levels_db) - 2 * reach
    if places < 3:
        return None
    mean = levels_db.mean(axis=0)
    levels = levels_db - mean
    sampled = np.unique(np.linspace(0, places - 1, SAMPLED_MOMENTS).astype(int))
    patches = levels[sampled[:, None] + np.arange(2 * reach + 1)]
    apart = patch_distances_db(levels, patches, every)
    apart[np.abs(np.arange(places)[:, None] - sampled) < reach] = np.inf
    return Moments(
        levels_db=levels,
        mean_db=mean,
        sampled=sampled,
        apart_db=apart,
        reach=reach,
        every=every,
        heard_hops=round(HEARD_SECONDS / hop_seconds) - reach,
        least_db=least_db,
    )


def unlikeness(
    moments: Moments | None,
    joins_db: np.ndarray,
    starts: np.ndarray,
    ends: np.ndarray,
    *,
    apart_hops: int = 0,
) -> np.ndarray:
    """Return how far joins lie from the nearest like moment, in parts of what is usual.

    The rms level difference at the moment where it is least, of those within 1.5 s of the loop but
    not over its own start and end; usual is the 95th percentile of the same for moments of the
    note itself. 0 where the sustain is too short to tell.

    joins_db : shape (joins, 2 * reach + 1, levels). starts, ends : int, times of each loop.
    apart_hops : so much farther than they reach must moments inside a loop lie from its ends.
    """
    results = np.zeros(len(joins_db))
    if moments is None:
        return results
    apart = patch_distances_db(moments.levels_db, joins_db - moments.mean_db, moments.every)
    centre = np.arange(len(apart)) + moments.reach
    first = np.maximum(starts - moments.heard_hops - moments.reach, 0)
    last = np.minimum(ends + moments.heard_hops - moments.reach + 1, len(apart))
    usual = {heard: _usual_db(moments, *heard) for heard in {*zip(first, last, strict=True)}}
    for index, (start, end) in enumerate(zip(starts, ends, strict=True)):
        heard = slice(first[index], last[index])
        away = np.minimum(np.abs(centre[heard] - start), np.abs(centre[heard] - end))
        near = apart[heard, index]
        if len(near):
            inside = (centre[heard] > start) & (centre[heard] < end)
            free = away >= moments.reach + apart_hops * inside
            nearest = float(near[free].min() if free.any() else near.min())
            results[index] = nearest / usual[first[index], last[index]]
    return results


def _usual_db(moments: Moments, first: int, last: int) -> float:
    """Return what nearly all moments in a range keep from the nearest like one, and at least."""
    inside = slice(*np.searchsorted(moments.sampled, [first, last]))
    nearest = moments.apart_db[first:last, inside].min(axis=0, initial=np.inf)
    nearest = np.sort(nearest[np.isfinite(nearest)])
    if len(nearest) == 0:
        return moments.least_db
    place = USUAL_SHARE * (len(nearest) - 1)
    usual = float(np.interp(place, np.arange(len(nearest)), nearest))
    return max(YARDSTICK * usual, moments.least_db)


def faded_levels_db(
    leaving_db: np.ndarray, arriving_db: np.ndarray, fade_hops: np.ndarray
) -> np.ndarray:
    """Return the levels around joins whose crossfade keeps the energy: (1 - f) Pa + f Pb.

    leaving_db, arriving_db : shape (joins, 2 * reach + 1, levels), around end and start.
    fade_hops : length of each crossfade, which is over at the join.
    """
    part = risen(fade_hops, leaving_db.shape[1] // 2)[:, :, None].astype(leaving_db.dtype)
    mixed = (1 - part) * 10 ** (leaving_db / 10) + part * 10 ** (arriving_db / 10)
    return np.asarray(10 * np.log10(mixed))


def risen(fade_hops: np.ndarray, reach: int) -> np.ndarray:
    """Return how far each crossfade has come in the hops around its join, 0 to 1."""
    hops = np.arange(-reach, reach + 1)
    return np.asarray(np.clip(1 + hops / np.maximum(fade_hops, SHORTEST_FADE_HOPS)[:, None], 0, 1))
