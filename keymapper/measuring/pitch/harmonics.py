"""Each harmonic as a slow complex signal, cut from one spectrum of the whole note."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.measuring.pitch.sustain import Array

HIGHEST_HARMONIC_HZ = 9000.0
WIDEST_HALF_BAND_HZ = 300.0
FLAT_SHARE = 0.76
ENVELOPE_SECONDS = 0.26
LARGEST_GAIN_DB = 26.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoteSpectrum:
    """Spectrum of a whole note, zero-padded to ``seconds``."""

    bins: Array
    seconds: float
    rate_hz: float
    sounding_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Harmonics:
    """Harmonics of ``f0_hz``: ``signals`` complex64, shape (harmonics, points).

    ``signals`` row i is the sound around ``centres_hz[i]`` shifted down to 0 Hz, ``point_hz``
    points a second; ``orders`` are the harmonic numbers.
    """

    f0_hz: float
    orders: Array
    centres_hz: Array
    half_band_hz: float
    signals: Array
    point_hz: float


def note_spectrum(mono: Array, rate_hz: float) -> NoteSpectrum:
    """Return the spectrum of a whole note, zero-padded to a length that transforms fast."""
    size = _fast_size(len(mono) + 64)
    return NoteSpectrum(
        bins=fft.rfft(mono, size),
        seconds=size / rate_hz,
        rate_hz=rate_hz,
        sounding_seconds=len(mono) / rate_hz,
    )


def _fast_size(least: int) -> int:
    """Return the smallest of 4, 5 and 6 times a power of two that holds ``least`` frames."""
    exponent = max(least.bit_length() - 3, 0)
    sizes = (m << exponent for m in (5, 6, 8, 16))
    return next(size for size in sizes if size >= least)


def cut_harmonics(spectrum: NoteSpectrum, f0_hz: float, count: int) -> Harmonics:
    """Return up to ``count`` harmonics below 9 kHz as slow signals.

    Each is the inverse transform of its own stretch of the spectrum, faded out at the edges, so
    that one complex point comes about every period.

    f0_hz : fundamental, Hz.
    """
    half = min(0.5 * f0_hz, WIDEST_HALF_BAND_HZ)
    top = min(HIGHEST_HARMONIC_HZ, 0.5 * spectrum.rate_hz - half)
    orders = np.arange(1, max(1, min(count, int(top / f0_hz))) + 1)
    points_each_side = max(4, int(half * spectrum.seconds))
    offsets = np.arange(-points_each_side, points_each_side)
    size = fft.next_fast_len(len(offsets))
    centres = np.rint(orders * f0_hz * spectrum.seconds).astype(np.intp)
    reads = centres[:, None] + offsets
    edge = np.abs(offsets + 0.5) / points_each_side
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((edge - FLAT_SHARE) / (1 - FLAT_SHARE), 0, 1))
    gain = (fade * size / spectrum.seconds / spectrum.rate_hz).astype(np.float32)
    inside = (reads >= 0) & (reads < len(spectrum.bins))
    stretch = np.where(inside, spectrum.bins[np.where(inside, reads, 0)], 0) * gain
    padded = np.zeros((len(orders), size), dtype=np.complex64)
    padded[:, offsets] = stretch
    return Harmonics(
        f0_hz=f0_hz,
        orders=orders,
        centres_hz=centres / spectrum.seconds,
        half_band_hz=half,
        signals=fft.ifft(padded, axis=1),
        point_hz=size / spectrum.seconds,
    )


def flatten(signals: Array, point_hz: float) -> Array:
    """Return signals divided by their own slow envelope, so that a decay keeps its whole length.

    The root of power smoothed over 0.26 s; at most 26 dB of gain.
    """
    width = max(1, round(ENVELOPE_SECONDS * point_hz)) | 1
    power = signals.real**2 + signals.imag**2
    padded = np.pad(power, ((0, 0), (width // 2 + 1, width // 2)), mode="edge")
    sums = np.cumsum(padded, axis=1, dtype=np.float64)
    smooth = (sums[:, width:] - sums[:, :-width]) / width
    least = smooth.max(axis=1, keepdims=True) * 10 ** (-LARGEST_GAIN_DB / 10) + 1e-30
    return np.asarray(signals / np.sqrt(np.maximum(smooth, least)).astype(np.float32))
