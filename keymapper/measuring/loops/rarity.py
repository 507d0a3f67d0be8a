"""How unusual a moment of a note is: what comes round with every pass should not stand out.

The rarity of a moment is the distance of its band levels from the nearest like moment of the same
sustain, in parts of what nearly all its moments keep (their 95th percentile).
"""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops.features import FLOOR_DB, band_powers, mono

APART_HOPS = 12
WINDOW_SECONDS = 0.005
HOP_SECONDS = 0.002
REACH_HOPS = 4
BANDS = 13
LOWEST_HZ = 300.0
HIGHEST_HZ = 16000.0
SAMPLED_MOMENTS = 24
LEAST_USUAL_SLOW_DB = 0.2
LEAST_USUAL_QUICK_DB = 1.8


def slow_rarity(distances: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return the rarity of every start, its own loop's end left out.

    distances : shape (times, lags), of each time from every later one.
    starts, ends : int, times.
    """
    times = len(distances)
    if times <= 2 * APART_HOPS:
        return np.zeros(len(starts))
    moments = np.linspace(0, times - 1, SAMPLED_MOMENTS).astype(int)
    apart = _distances_from(distances, np.concatenate([starts, moments]))
    place = np.arange(times)
    apart[: len(starts)][np.abs(place - ends[:, None]) < APART_HOPS] = np.inf
    nearest = apart.min(axis=1)
    nearest[~np.isfinite(nearest)] = 0.0
    usual = float(np.percentile(nearest[len(starts) :], 95)) + LEAST_USUAL_SLOW_DB
    return np.asarray(nearest[: len(starts)] / usual)


def _distances_from(distances: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """Distances of some times from all others, infinite near themselves."""
    place = np.arange(len(distances))
    lag = np.abs(place - chosen[:, None])
    apart = distances[np.minimum(place, chosen[:, None]), lag]
    apart[lag < APART_HOPS] = np.inf
    return np.asarray(apart)


def quick_rarity(
    samples: np.ndarray, rate: int, starts: np.ndarray, ends: np.ndarray
) -> np.ndarray:
    """Return the rarity of the 8 ms around each start, seen at 5 ms, its loop's end left out.

    samples : float, shape (frames, channels): the sustain; starts and ends count from its first.
    """
    window, hop = round(WINDOW_SECONDS * rate), round(HOP_SECONDS * rate)
    width = 2 * REACH_HOPS + 1
    if len(samples) < window + 4 * width * hop:
        return np.zeros(len(starts))
    edges = np.concatenate([[0.0], np.geomspace(LOWEST_HZ, min(HIGHEST_HZ, 0.4 * rate), BANDS)])
    bins = np.unique((edges * window / rate).astype(int))
    powers = band_powers(mono(samples)[:, None], window, hop, bins)[0]
    levels = 10 * np.log10(powers + float(powers.mean()) * 10 ** (FLOOR_DB / 10) + 1e-20)
    levels -= levels.mean(axis=0)
    places = len(levels) - width + 1
    at_start, at_end = (
        np.rint((frames - window // 2) / hop).astype(int) - REACH_HOPS for frames in (starts, ends)
    )
    moments = np.linspace(0, places - 1, SAMPLED_MOMENTS).astype(int)
    chosen = np.concatenate([at_start.clip(0, places - 1), moments])
    nearest = _nearest_db(levels, chosen, np.concatenate([at_end, moments]), width)
    usual = max(float(np.percentile(nearest[len(starts) :], 95)), LEAST_USUAL_QUICK_DB)
    return np.asarray(nearest[: len(starts)] / usual)


def _nearest_db(
    levels: np.ndarray, chosen: np.ndarray, partners: np.ndarray, width: int
) -> np.ndarray:
    """Rms distance of each stretch from the nearest that overlaps neither it nor its partner."""
    places = len(levels) - width + 1
    cross = np.zeros((places, len(chosen)), dtype=levels.dtype)
    for step in range(width):
        cross += levels[step : step + places] @ levels[chosen + step].T
    running = np.concatenate([[0.0], np.cumsum((levels.astype(float) ** 2).sum(axis=1))])
    energy = running[width:] - running[:-width]
    squared = energy[:, None] + energy[chosen] - 2 * cross
    place = np.arange(places)[:, None]
    near = np.minimum(np.abs(place - chosen), np.abs(place - partners)) <= width // 2
    squared[near] = np.inf
    least = np.maximum(squared.min(axis=0), 0)
    return np.asarray(np.sqrt(least / (width * levels.shape[1])))
