"""Band levels over time with the spread of masking: what the ear compares at a join."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

FLOOR_DB = -60.0
THIRD_OCTAVE_EDGES_HZ = 50.0 * 2.0 ** ((np.arange(28) - 0.5) / 3)
WIDE_EDGES_HZ = np.array([0.0, 400.0, 1600.0, 6400.0, 24000.0])
CLICK_EDGES_HZ = np.concatenate([[0.0], np.geomspace(300.0, 18000.0, 13)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Analysis:
    """How to measure band levels: window and hop in seconds, band edges in Hz."""

    window_seconds: float
    hop_seconds: float
    edges_hz: np.ndarray


FINE = Analysis(window_seconds=0.005, hop_seconds=0.0005, edges_hz=CLICK_EDGES_HZ)
THIRDS = Analysis(window_seconds=0.043, hop_seconds=0.008, edges_hz=THIRD_OCTAVE_EDGES_HZ)
WIDE = Analysis(window_seconds=0.043, hop_seconds=0.008, edges_hz=WIDE_EDGES_HZ)


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
    window_frames = round(analyses[0].window_seconds * rate)
    hop = max(1, round(analyses[0].hop_seconds * rate))
    window = hann(window_frames)
    size = fft.next_fast_len(window_frames, real=True)
    frames = np.lib.stride_tricks.sliding_window_view(audio, window_frames, axis=1)[:, ::hop]
    bins = np.arange(size // 2 + 1) * rate / size
    members = np.concatenate([_membership(bins, analysis.edges_hz) for analysis in analyses])
    powers = np.concatenate(
        [
            _view_powers(fft.rfft(part * window, n=size, axis=2)) @ members.T
            for part in np.array_split(frames, max(1, frames.shape[1] // 256), axis=1)
        ],
        axis=1,
    ).transpose(1, 0, 2)
    counts = np.cumsum([len(analysis.edges_hz) - 1 for analysis in analyses])
    return [
        np.asarray(part @ _spread(analysis.edges_hz).T)
        for part, analysis in zip(np.split(powers, counts[:-1], axis=2), analyses, strict=True)
    ]


@lru_cache(maxsize=16)
def hann(frames: int) -> np.ndarray:
    """Return a Hann window without its zero ends, float32."""
    return np.asarray(np.hanning(frames + 2)[1:-1].astype(np.float32))


def _view_powers(spectra: np.ndarray) -> np.ndarray:
    """Power of mono, or of left, right and their mean, shape (views, times, bins)."""
    real, imaginary = spectra.real, spectra.imag
    power = real * real + imaginary * imaginary
    if len(power) == 1:
        return np.asarray(power)
    shared = real[0] * real[1] + imaginary[0] * imaginary[1]
    mean = 0.25 * (power[0] + power[1]) + 0.5 * shared
    return np.stack([power[0], power[1], np.maximum(mean, 0.0)])


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
    return np.asarray(spread.astype(np.float32))


def floor_power(masked: np.ndarray) -> float:
    """Return the power 60 dB under the mean of a natural sustain: nothing below it is heard."""
    return float(masked.mean()) * 10 ** (FLOOR_DB / 10) + 1e-20


def levels_db(masked: np.ndarray, floor: float) -> np.ndarray:
    """Return masked powers as levels, shape (times, views x bands), over the given floor."""
    return np.asarray(10 * np.log10(masked + floor)).reshape(len(masked), -1)
