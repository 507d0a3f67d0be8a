"""Band levels over time with the spread of masking: what the ear compares at a join."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from keymapper.measuring.views import view_powers, windows

FLOOR_DB = -60.0
PART_FRAMES = 60_000  # fits the caches of a core; matrix products are quickest up to this size
NO_MASKING = 1e-12  # also keeps out the denormal numbers that slow sums down
THIRD_OCTAVE_EDGES_HZ = 50.0 * 2.0 ** ((np.arange(28) - 0.5) / 3)
WIDE_EDGES_HZ = np.array([0.0, 400.0, 1600.0, 6400.0, 24000.0])
CLICK_EDGES_HZ = np.concatenate([[0.0], np.geomspace(300.0, 18000.0, 13)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Analysis:
    """How to measure band levels: window and hop in seconds, band edges in Hz.

    Where natural stretches are compared with each other, every ``own_every``-th time counts.
    """

    window_seconds: float
    hop_seconds: float
    edges_hz: np.ndarray
    own_every: int

    def window_frames(self, rate: int) -> int:
        """Return the window in frames, at most as stated: a length quick to transform."""
        return int(fft.prev_fast_len(round(self.window_seconds * rate), real=True))

    def hop_frames(self, rate: int) -> int:
        """Return the hop in frames, at least 1."""
        return max(1, round(self.hop_seconds * rate))


FINE = Analysis(window_seconds=0.005, hop_seconds=0.0005, edges_hz=CLICK_EDGES_HZ, own_every=4)
THIRDS = Analysis(
    window_seconds=0.043, hop_seconds=0.008, edges_hz=THIRD_OCTAVE_EDGES_HZ, own_every=2
)
WIDE = Analysis(window_seconds=0.043, hop_seconds=0.008, edges_hz=WIDE_EDGES_HZ, own_every=2)


def sides(samples: np.ndarray) -> np.ndarray:
    """Return audio channel by channel, shape (channels, frames), float32; at most two channels.

    samples : float, shape (frames, channels).
    """
    return np.ascontiguousarray(samples.T[:2], dtype=np.float32)


def masked_powers(audio: np.ndarray, rate: int, *analyses: Analysis) -> list[np.ndarray]:
    """Return masked band powers of each analysis, shape (times, views, bands).

    The views are what is listened to: the mono, or left, right and their mean. Time 0 starts at
    frame 0.

    audio : float, shape (channels, frames), at least one window long.
    analyses : of one window and hop, so that one spectrum serves them all.
    """
    window_frames, hop = analyses[0].window_frames(rate), analyses[0].hop_frames(rate)
    window = hann(window_frames)
    weights = _weights(rate, window_frames, analyses)
    frames = windows(audio, window_frames, hop)
    parts = math.ceil(frames.shape[1] * window_frames / PART_FRAMES)
    powers = np.concatenate(
        [
            view_powers(fft.rfft(part * window, axis=2), weights)
            for part in np.array_split(frames, parts, axis=1)
        ],
        axis=1,
    ).transpose(1, 0, 2)
    counts = np.cumsum([len(analysis.edges_hz) - 1 for analysis in analyses])
    return [np.ascontiguousarray(part) for part in np.split(powers, counts[:-1], axis=2)]


@lru_cache(maxsize=16)
def hann(frames: int) -> np.ndarray:
    """Return a Hann window without its zero ends, float32."""
    return np.asarray(np.hanning(frames + 2)[1:-1].astype(np.float32))


@lru_cache(maxsize=16)
def _weights(rate: int, size: int, analyses: tuple[Analysis, ...]) -> np.ndarray:
    """Weight of each bin in each masked band, shape (bins, bands)."""
    bins = np.arange(size // 2 + 1) * rate / size
    masked = [_spread(one.edges_hz) @ _membership(bins, one.edges_hz) for one in analyses]
    return np.ascontiguousarray(np.concatenate(masked).T)


def _membership(bins: np.ndarray, edges_hz: np.ndarray) -> np.ndarray:
    """Share of each bin in each band, shape (bands, bins).

    A bin stands for the stretch half a bin to both sides, so that bands narrower than a bin
    still hear what falls between.
    """
    half = (bins[1] - bins[0]) / 2
    low = np.maximum(bins - half, edges_hz[:-1, None])
    high = np.minimum(bins + half, edges_hz[1:, None])
    return np.asarray((np.maximum(high - low, 0) / (2 * half)).astype(np.float32))


def _spread(edges_hz: np.ndarray) -> np.ndarray:
    """Spread of masking, -12 dB a Bark upwards and -25 dB a Bark downwards (Zwicker, Fastl)."""
    centres = np.sqrt(np.maximum(edges_hz[:-1], edges_hz[1:] / 4) * edges_hz[1:])
    bark = 13 * np.arctan(0.00076 * centres) + 3.5 * np.arctan((centres / 7500) ** 2)
    above = bark[:, None] - bark[None, :]
    spread = np.where(above > 0, 10 ** (-1.2 * above), 10 ** (2.5 * above))
    return np.asarray(np.where(spread > NO_MASKING, spread, 0).astype(np.float32))


def floor_power(masked: np.ndarray) -> float:
    """Return the power 60 dB under the mean of a natural sustain: nothing below it is heard."""
    return float(masked.mean()) * 10 ** (FLOOR_DB / 10) + 1e-20


def levels_db(masked: np.ndarray, floor: float) -> np.ndarray:
    """Return masked powers as levels, shape (times, views x bands), over the given floor."""
    return np.asarray(10 * np.log10(masked + floor)).reshape(len(masked), -1)
