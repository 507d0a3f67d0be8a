"""How unusual a moment of a note is: what comes round with every pass should not stand out.

The rarity of a moment is the distance of its band levels from the nearest like moment of the same
sustain, in parts of what nearly all its moments keep (their 95th percentile).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.channels import mono
from keymapper.measuring.loops.features import FLOOR_DB, band_powers
from keymapper.measuring.loops.likeness import Moments, measure_moments, unlikeness

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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QuickLevels:
    """Band levels of 5 ms every 2 ms of a sustain, and its moments of 8 ms to each side."""

    moments: Moments | None
    first_frame: int
    window_frames: int
    hop_frames: int
    bins: np.ndarray
    floor: float

    def times(self, frames: np.ndarray) -> np.ndarray:
        """Return the time index nearest to each frame."""
        place = (frames - self.first_frame - self.window_frames // 2) / self.hop_frames
        return np.asarray(np.rint(place).astype(int))

    def levels_db(self, audio: np.ndarray) -> np.ndarray:
        """Return the levels of other audio, shape (times, bands).

        audio : float, shape (frames, channels), at least one window long.
        """
        powers = band_powers(mono(audio)[:, None], self.window_frames, self.hop_frames, self.bins)
        return np.asarray(10 * np.log10(powers[0] + self.floor))


def quick_levels(samples: np.ndarray, rate: int, first_frame: int, last_frame: int) -> QuickLevels:
    """Return the quick levels of the sustain between two frames; silence follows a shorter one.

    samples : float, shape (frames, channels).
    """
    window, hop = round(WINDOW_SECONDS * rate), round(HOP_SECONDS * rate)
    edges = np.concatenate([[0.0], np.geomspace(LOWEST_HZ, min(HIGHEST_HZ, 0.4 * rate), BANDS)])
    bins = np.unique((edges * window / rate).astype(int))
    sustain = mono(samples[first_frame:last_frame])[:, None]
    sustain = np.pad(sustain, ((0, max(0, window - len(sustain))), (0, 0)))
    powers = band_powers(sustain, window, hop, bins)[0]
    floor = float(powers.mean()) * 10 ** (FLOOR_DB / 10) + 1e-20
    moments = measure_moments(
        10 * np.log10(powers + floor),
        HOP_SECONDS,
        reach=REACH_HOPS,
        every=1,
        least_db=LEAST_USUAL_QUICK_DB,
    )
    return QuickLevels(
        moments=moments,
        first_frame=first_frame,
        window_frames=window,
        hop_frames=hop,
        bins=bins,
        floor=floor,
    )


def quick_rarity(quick: QuickLevels, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return the rarity of the 8 ms around each start, seen at 5 ms, its loop's end left out.

    starts, ends : int, frames.
    """
    moments = quick.moments
    if moments is None:
        return np.zeros(len(starts))
    at_start, at_end = quick.times(starts), quick.times(ends)
    around = at_start[:, None] + np.arange(-REACH_HOPS, REACH_HOPS + 1)
    around = around.clip(0, len(moments.levels_db) - 1)
    return unlikeness(moments, moments.levels_db[around] + moments.mean_db, at_start, at_end)
