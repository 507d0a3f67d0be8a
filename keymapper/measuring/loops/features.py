"""Band levels of a sustain over time: what the search compares to find a seamless join."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import fft

from keymapper.measuring.views import view_powers, windows

WINDOW_SECONDS = 0.0425
HOP_SECONDS = 0.010
THIRD_OCTAVE = 2 ** (1 / 3)
LOWEST_HZ = 40.0
HIGHEST_HZ = 16000.0
FLOOR_DB = -60.0
BLOCK_FRAMES = 1 << 16
WIDE_FIRST_HZ = (0.0, 400.0, 1600.0, 6400.0)
AROUND_HOPS = 10
STRETCHES = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandPowers:
    """Powers of one stretch in bands: ``powers`` has shape (views, times, bands).

    Time ``t`` is centred on frame ``first_frame + t * hop_frames``. A stereo note has three
    views (left, right, their mean), so that the image and the mono sum count. ``bins`` holds the
    first bin of each band and the bin after the last.
    """

    powers: np.ndarray
    edges_hz: np.ndarray
    bins: np.ndarray
    window_frames: int
    first_frame: int
    hop_frames: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Envelope:
    """Levels of one stretch in dB: ``levels_db`` has shape (times, views x bands).

    ``floor`` is the power they are floored at.
    """

    levels_db: np.ndarray
    floor: float
    first_frame: int
    hop_frames: int

    def index_at(self, frames: np.ndarray) -> np.ndarray:
        """Nearest time index of each frame, kept inside the envelope."""
        nearest = np.rint((np.asarray(frames) - self.first_frame) / self.hop_frames)
        return np.asarray(np.clip(nearest, 0, len(self.levels_db) - 1).astype(int))

    def levels_around(self, frames: np.ndarray, hops: np.ndarray) -> np.ndarray:
        """Levels at so many hops from each frame, between times, shape (frames, hops, levels)."""
        place = (frames[:, None] - self.first_frame) / self.hop_frames + hops
        last = len(self.levels_db) - 1
        place = np.clip(place, 0, max(0, last - 0.001))
        low = place.astype(int)
        high = np.minimum(low + 1, last)
        part = (place - low)[:, :, None].astype(self.levels_db.dtype)
        return np.asarray(self.levels_db[low] * (1 - part) + self.levels_db[high] * part)


def band_powers(
    samples: np.ndarray, window_frames: int, hop_frames: int, first_bins: np.ndarray
) -> np.ndarray:
    """Return Hann power summed in bands, shape (views, times, bands); time 0 starts at frame 0.

    samples : float, shape (frames, channels); frames >= window_frames.
    first_bins : int, the first bin of each band and the bin after the last.
    """
    window, members = _hann(window_frames), _members(tuple(first_bins.tolist()))
    frames = windows(np.ascontiguousarray(samples.T, dtype=np.float32), window_frames, hop_frames)
    times = max(1, BLOCK_FRAMES // window_frames)
    blocks = (frames[:, first : first + times] for first in range(0, frames.shape[1], times))
    spectra = (fft.rfft(block * window, axis=2)[:, :, : first_bins[-1]] for block in blocks)
    return np.concatenate([view_powers(one, members) for one in spectra], axis=1)


@lru_cache(maxsize=16)
def _hann(frames: int) -> np.ndarray:
    return np.asarray(np.hanning(frames + 1)[:-1].astype(np.float32))


@lru_cache(maxsize=16)
def _members(first_bins: tuple[int, ...]) -> np.ndarray:
    """Return which bin belongs to which band, shape (bins, bands)."""
    bins, firsts = np.arange(first_bins[-1])[:, None], np.array(first_bins)
    return np.asarray(((bins >= firsts[:-1]) & (bins < firsts[1:])).astype(np.float32))


def measure_band_powers(
    samples: np.ndarray,
    rate: int,
    start_frame: int,
    end_frame: int,
    *,
    exactly_wide: bool = False,
) -> BandPowers:
    """Return the powers in about 24 bands up to 16 kHz every 10 ms between two frames.

    samples : float, shape (frames, channels), full scale 1.0.
    exactly_wide : cut those bands in two that the edges of the wide bands lie in.
    """
    window = fft.next_fast_len(round(WINDOW_SECONDS * rate), real=True)
    window = min(window, end_frame - start_frame)
    hop = round(HOP_SECONDS * rate)
    edges = band_edges_hz(rate)
    if exactly_wide:
        inside = [hertz for hertz in WIDE_FIRST_HZ if edges[0] < hertz < edges[-1]]
        edges = np.union1d(edges, inside)
    bins = np.ceil(edges * window / rate).astype(int)
    return BandPowers(
        powers=band_powers(samples[start_frame:end_frame], window, hop, bins),
        edges_hz=edges,
        bins=bins,
        window_frames=window,
        first_frame=start_frame + window // 2,
        hop_frames=hop,
    )


def uncut(bands: BandPowers, rate: int) -> BandPowers:
    """Return bands that were cut for exact wide bands as they are without the cuts."""
    edges = band_edges_hz(rate)
    firsts = np.searchsorted(bands.edges_hz, edges)
    return replace(
        bands,
        powers=np.add.reduceat(bands.powers, firsts[:-1], axis=2),
        edges_hz=edges,
        bins=bands.bins[firsts],
    )


def averaged_powers(bands: BandPowers, rate: int, seconds: float) -> BandPowers:
    """Return powers averaged with a Hann window of so many seconds, where all of it is inside.

    What comes round in half of those seconds or less averages out.
    """
    reach = 0.5 * seconds * rate / bands.hop_frames
    most = min(math.floor(reach), (bands.powers.shape[1] - 1) // 2)
    places = np.arange(-most, most + 1)
    weights = (0.5 + 0.5 * np.cos(np.pi * places / reach)).astype(np.float32)
    stretches = np.lib.stride_tricks.sliding_window_view(bands.powers, len(places), axis=1)
    return replace(
        bands,
        powers=stretches @ (weights / weights.sum()),
        first_frame=bands.first_frame + bands.hop_frames * most,
    )


def band_edges_hz(rate: int) -> np.ndarray:
    """Edges of the bands: third octaves from 40 Hz up to 16 kHz, none narrower than is resolved.

    The direct component of a recording is in none of them: it is not heard, and masks nothing.
    """
    top = min(HIGHEST_HZ, 0.49 * rate)
    edges = [LOWEST_HZ]
    while edges[-1] < 0.99 * top:
        edges.append(min(top, max(edges[-1] * THIRD_OCTAVE, edges[-1] + 1 / WINDOW_SECONDS)))
    return np.array(edges)


def masked_levels(bands: BandPowers, floor: float | None = None) -> Envelope:
    """Return band levels with the spread of masking, floored 60 dB under the mean power.

    Masking falls by 12 dB a Bark upwards and 25 dB a Bark downwards; what a loud neighbour
    covers does not move the level of a band (E. Zwicker, H. Fastl, "Psychoacoustics", ch. 4).
    """
    centres = (bands.edges_hz[:-1] + bands.edges_hz[1:]) / 2
    bark = 13 * np.arctan(0.00076 * centres) + 3.5 * np.arctan((centres / 7500) ** 2)
    above = bark[:, None] - bark[None, :]
    spread = 10 ** np.where(above > 0, -1.2 * above, 2.5 * above)
    return _levels(bands, bands.powers @ spread.T.astype(np.float32), floor)


def own_levels(bands: BandPowers) -> Envelope:
    """Return band levels without masking, floored 60 dB under the mean power."""
    return _levels(bands, bands.powers, None)


def wide_levels(bands: BandPowers, floor: float | None = None) -> Envelope:
    """Return levels of four wide bands, floored 60 dB under the mean power.

    The whole level of a sound is steadier than that of its parts; a dip shows here first. They
    begin with the first band from their edges on, which lies there only where bands were cut.
    """
    firsts = np.searchsorted(bands.edges_hz[:-1], WIDE_FIRST_HZ)
    firsts = np.unique(firsts[firsts < bands.powers.shape[2]])
    return _levels(bands, np.add.reduceat(bands.powers, firsts, axis=2), floor)


def _levels(bands: BandPowers, powers: np.ndarray, floor: float | None) -> Envelope:
    if floor is None:
        floor = float(powers.mean()) * 10 ** (FLOOR_DB / 10) + 1e-20
    return Envelope(
        levels_db=np.concatenate(list(10 * np.log10(powers + floor)), axis=1),
        floor=floor,
        first_frame=bands.first_frame,
        hop_frames=bands.hop_frames,
    )


def detrended(levels_db: np.ndarray) -> np.ndarray:
    """Band levels less the straight line that fits each best."""
    time = np.arange(len(levels_db), dtype=levels_db.dtype)[:, None]
    centred = levels_db - levels_db.mean(axis=0)
    return np.asarray(centred - (time - time.mean()) * slope_per_hop(levels_db))


def slope_per_hop(levels_db: np.ndarray) -> np.ndarray:
    """Slope of the straight line that fits each band's levels best, in dB a hop."""
    time = np.arange(len(levels_db), dtype=levels_db.dtype)
    time -= time.mean()
    return np.asarray(time @ levels_db / max(float(time @ time), 1.0))


def stretch_means(values: np.ndarray) -> np.ndarray:
    """Return the means of eight stretches, one after the other, of values along the first axis."""
    return np.stack([part.mean(axis=0) for part in np.array_split(values, STRETCHES)])


def slope_certainty(values: np.ndarray) -> np.ndarray:
    """Return the slope of each column's straight line over its standard error.

    values : float, shape (times, columns), three times or more.
    """
    place = np.arange(len(values)) - (len(values) - 1) / 2
    spread = float(place @ place)
    slopes = place @ values / spread
    left = values - values.mean(axis=0) - np.outer(place, slopes)
    errors = np.sqrt((left**2).sum(axis=0) / (len(values) - 2) / spread)
    return np.asarray(slopes / (errors + 1e-9))


def trend_share(levels_db: np.ndarray) -> np.ndarray:
    """Share of each band's movement that its straight line explains, 0 to 1."""
    total = np.mean((levels_db - levels_db.mean(axis=0)) ** 2, axis=0)
    return np.asarray(1 - np.mean(detrended(levels_db) ** 2, axis=0) / np.maximum(total, 1e-9))


def averaged_around(levels_db: np.ndarray) -> np.ndarray:
    """Levels averaged over +-100 ms, over what there is near the ends."""
    reach = min(AROUND_HOPS, (len(levels_db) - 1) // 2)
    sums = np.concatenate([np.zeros((1, levels_db.shape[1])), np.cumsum(levels_db, axis=0)])
    low = np.maximum(np.arange(len(levels_db)) - reach, 0)
    high = np.minimum(np.arange(len(levels_db)) + reach + 1, len(levels_db))
    return np.asarray((sums[high] - sums[low]) / (high - low)[:, None])


def movement_db(levels_db: np.ndarray) -> float:
    """Return the rms of band levels about their linear trend, in dB."""
    return float(math.sqrt(np.mean(detrended(levels_db) ** 2)))


def wanted_length_seconds(movement: float, region_seconds: float) -> float:
    """Loop length worth having: the more a sound moves, the longer, up to 70 % of the sustain."""
    wanted = float(np.interp(movement, [0.2, 1.0, 2.0, 4.0], [0.8, 0.9, 1.2, 1.5]))
    return min(wanted, 0.7 * region_seconds)
