"""How unusual a moment of a note is: what comes round with every pass should not stand out.

The rarity of a moment is the distance of its band levels from the nearest like moment of the same
sustain, in parts of what nearly all its moments keep (their 95th percentile).
"""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops.features import FLOOR_DB, power_spectra

APART_HOPS = 12
WINDOW_SECONDS = 0.005
HOP_SECONDS = 0.001
REACH_HOPS = 8
BANDS = 14
LOWEST_HZ = 300.0
HIGHEST_HZ = 16000.0
SAMPLED_MOMENTS = 24
LEAST_USUAL_DB = 1.8


def slow_rarity(distances: np.ndarray) -> np.ndarray:
    """Return the rarity of every time from the distances of all pairs, shape (times, lags)."""
    times = len(distances)
    if times <= APART_HOPS:
        return np.zeros(times)
    ahead = distances[:, APART_HOPS:]
    nearest = ahead.min(axis=1)
    time, lag = np.nonzero(np.isfinite(ahead))
    np.minimum.at(nearest, time + lag + APART_HOPS, ahead[time, lag])
    nearest[~np.isfinite(nearest)] = 0.0
    return np.asarray(nearest / (np.percentile(nearest, 95) + 1e-6))


def quick_rarity(samples: np.ndarray, rate: int, frames: np.ndarray) -> np.ndarray:
    """Return the rarity of the 8 ms around each frame, seen at 5 ms resolution.

    samples : float, shape (frames, channels): the sustain; the frames count from its start.
    """
    window, hop = round(WINDOW_SECONDS * rate), round(HOP_SECONDS * rate)
    width = 2 * REACH_HOPS + 1
    if len(samples) < window + 4 * width * hop:
        return np.zeros(len(frames))
    power = power_spectra(samples.mean(axis=1, keepdims=True), window, hop)[0]
    edges = np.concatenate([[0.0], np.geomspace(LOWEST_HZ, min(HIGHEST_HZ, 0.4 * rate), BANDS - 1)])
    powers = np.add.reduceat(power, np.unique((edges * window / rate).astype(int)), axis=1)
    levels = 10 * np.log10(powers + float(powers.mean()) * 10 ** (FLOOR_DB / 10) + 1e-20)
    levels -= levels.mean(axis=0)
    places = len(levels) - width + 1
    centred = np.rint((np.asarray(frames) - window // 2) / hop).astype(int) - REACH_HOPS
    sampled = np.linspace(0, places - 1, SAMPLED_MOMENTS).astype(int)
    nearest = _nearest_db(levels, np.concatenate([centred.clip(0, places - 1), sampled]), width)
    usual = max(float(np.percentile(nearest[len(frames) :], 95)), LEAST_USUAL_DB)
    return np.asarray(nearest[: len(frames)] / usual)


def _nearest_db(levels: np.ndarray, chosen: np.ndarray, width: int) -> np.ndarray:
    """Rms distance of each chosen stretch from the nearest that does not overlap it by half."""
    places = len(levels) - width + 1
    cross = np.zeros((places, len(chosen)), dtype=levels.dtype)
    for step in range(width):
        cross += levels[step : step + places] @ levels[chosen + step].T
    running = np.concatenate([[0.0], np.cumsum((levels.astype(float) ** 2).sum(axis=1))])
    energy = running[width:] - running[:-width]
    squared = energy[:, None] + energy[chosen] - 2 * cross
    near = np.abs(np.arange(places)[:, None] - chosen) <= width // 2
    squared[near] = np.inf
    least = np.maximum(squared.min(axis=0), 0)
    return np.asarray(np.sqrt(least / (width * levels.shape[1])))
