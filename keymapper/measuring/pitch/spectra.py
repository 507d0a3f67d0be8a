"""The average spectrum of the steady part, and what is read off it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from keymapper.measuring.pitch.spectral import hann, peak_offsets
from keymapper.measuring.pitch.sustain import Array, Sustain

FRAME_SECONDS = 0.17
FRAMES = 6
FAINTEST_FRAME = 1e-6
LONGEST_SECONDS = 3.0
CELLS_PER_OCTAVE = 96
LOWEST_CELL_HZ = 20.0
HIGHEST_CELL_HZ = 14000.0
HALF_CELL_CENTS = 8.0
FLOOR_CELLS = 67  # 0.7 octave
PEAKS = 80
HIGHEST_PEAK_HZ = 12000.0
COMPRESSED_BELOW_HZ = 5500.0
FIRST_LOBE_BINS = 2.4
FIRST_LOBE_DB = 29.0
LOBE_FALL_DB = 18.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectrum:
    """What the coarse stage sees of a note.

    ``nac`` and ``gac``: autocorrelation of the sound and of its compressed spectrum, by lag in
    frames; ``salience``: by log-frequency cell, 0 to 1; ``peaks_hz`` with ``peaks_db`` relative to
    the highest and ``energies``, 1 = the highest.
    """

    rate_hz: float
    bin_hz: float
    nac: Array
    gac: Array
    salience: Array
    peaks_hz: Array
    peaks_db: Array
    energies: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """Which spectrum bins each log-frequency cell covers."""

    edges: Array
    low_bin: Array
    fraction: Array


def average_spectrum(sustain: Sustain) -> Spectrum:
    """Return the spectrum of up to 3 s of the steady part, averaged over six Hann frames.

    Autocorrelation divided by the window's own (Boersma 1993, eq. 9); its compressed sibling from
    the fourth root of power (Tolonen and Karjalainen 2000).
    """
    sound = sustain.mono[sustain.start_frame : sustain.end_frame]
    sound = sound[: round(LONGEST_SECONDS * sustain.rate_hz)]
    length = min(2 ** round(np.log2(FRAME_SECONDS * sustain.rate_hz)), len(sound))
    size = 2 * 2 ** int(np.ceil(np.log2(max(length, 16))))
    starts = np.linspace(0, len(sound) - length, FRAMES).astype(np.intp)
    frames = np.lib.stride_tricks.sliding_window_view(sound, length)[np.unique(starts)]
    window, window_nac = hann_window(length, size)
    spectra = fft.rfft((frames - frames.mean(axis=1, keepdims=True)) * window, size, axis=1)
    power = spectra.real**2 + spectra.imag**2
    energies = power.sum(axis=1, keepdims=True)
    faintest = FAINTEST_FRAME * energies.max() + 1e-30
    power = np.mean(power / np.maximum(energies, faintest), axis=0)
    bin_hz = sustain.rate_hz / size
    nac = fft.irfft(power, size)[: length // 2 + 1]
    nac = nac / (nac[0] + 1e-30) / window_nac
    compressed = np.sqrt(np.sqrt(power))
    compressed[int(COMPRESSED_BELOW_HZ / bin_hz) + 1 :] = 0
    gac = fft.irfft(compressed, size)[: length // 2 + 1]
    decibels = 10 * np.log10(power + 1e-20)
    decibels -= decibels.max()
    salience, reference = _salience(decibels, size, sustain.rate_hz)
    peaks_hz, peaks_db = _peaks(decibels, reference, bin_hz)
    real = ~_side_lobes(peaks_hz * length / sustain.rate_hz, peaks_db)
    peaks_hz, peaks_db = peaks_hz[real], peaks_db[real]
    return Spectrum(
        rate_hz=sustain.rate_hz,
        bin_hz=bin_hz,
        nac=nac,
        gac=gac / (gac[0] + 1e-30),
        salience=salience,
        peaks_hz=peaks_hz,
        peaks_db=peaks_db,
        energies=10 ** (peaks_db / 10),
    )


@lru_cache(maxsize=8)
def hann_window(length: int, size: int) -> tuple[Array, Array]:
    """Return a Hann window and its own normalised autocorrelation (floor 0.05), both float32."""
    window = hann(length).astype(np.float32)
    spectrum = fft.rfft(window, size)
    nac = fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: length // 2 + 1]
    return window, np.maximum(nac / nac[0], np.float32(0.05))


@lru_cache(maxsize=8)
def _cells(size: int, rate_hz: float) -> Cells:
    count = int(np.log2(HIGHEST_CELL_HZ / LOWEST_CELL_HZ) * CELLS_PER_OCTAVE)
    centres = LOWEST_CELL_HZ * 2 ** (np.arange(count) / CELLS_PER_OCTAVE) * size / rate_hz
    half = 2 ** (HALF_CELL_CENTS / 1200)
    centres = centres[centres * half < size // 2 - 2]
    low = np.ceil(centres / half).astype(np.intp)
    high = np.maximum(np.floor(centres * half).astype(np.intp) + 1, low + 1)
    below = np.floor(centres).astype(np.intp)
    return Cells(
        edges=np.stack([low, high], axis=1).ravel(),
        low_bin=below,
        fraction=(centres - below).astype(np.float32),
    )


def _salience(decibels: Array, size: int, rate_hz: float) -> tuple[Array, Array]:
    cells = _cells(size, rate_hz)
    between = decibels[cells.low_bin]
    between = between + cells.fraction * (decibels[cells.low_bin + 1] - between)
    level = np.maximum.reduceat(decibels, cells.edges)[::2]
    wide = cells.edges[1::2] - cells.edges[::2] > 1
    level = np.where(wide, np.maximum(level, between), between)
    floor = _running_floor(level)
    reference = np.maximum(-55.0, np.minimum(floor + 6, -12.0))
    salience = np.clip((level - reference) / 45, 0, 1)
    positions = np.arange(len(decibels), dtype=np.float32)
    by_bin = np.interp(positions, cells.low_bin + cells.fraction, reference)
    return salience, by_bin


def _running_floor(level: Array) -> Array:
    """30th percentile over 0.7 octave, taken at every eighth cell."""
    half = FLOOR_CELLS // 2
    padded = np.pad(level, half, mode="reflect" if len(level) > half else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)[::8]
    rank = int(0.3 * windows.shape[1])
    floors = np.partition(windows, rank, axis=1)[:, rank]
    return np.interp(np.arange(len(level)), np.arange(len(floors)) * 8.0, floors)


def _peaks(decibels: Array, reference: Array, bin_hz: float) -> tuple[Array, Array]:
    last = min(len(decibels) - 1, int(HIGHEST_PEAK_HZ / bin_hz))
    middle = decibels[1:last]
    higher = (middle > decibels[: last - 1]) & (middle >= decibels[2 : last + 1])
    bins = np.flatnonzero(higher & (middle > reference[1:last])) + 1
    if len(bins) > PEAKS:
        bins = np.sort(bins[np.argpartition(-decibels[bins], PEAKS)[:PEAKS]])
    left, top, right = decibels[bins - 1], decibels[bins], decibels[bins + 1]
    offset = peak_offsets(left, top, right, least_bend=1e-6)
    peaks_hz = (bins + offset).astype(np.float64) * bin_hz
    peaks_db = (top - 0.25 * (left - right) * offset).astype(np.float64)
    return peaks_hz, peaks_db - (peaks_db.max() if len(peaks_db) else 0.0)


def _side_lobes(places: Array, decibels: Array) -> Array:
    """Tell which peaks are no more than side lobes of a stronger one: -31 dB, 18 dB an octave.

    places : in bins of the window.
    """
    apart = np.maximum(np.abs(places[:, None] - places), FIRST_LOBE_BINS)
    lobe = decibels - FIRST_LOBE_DB - LOBE_FALL_DB * np.log2(apart / FIRST_LOBE_BINS)
    return np.asarray((decibels[:, None] < lobe).any(axis=1))


def salience_at(spectrum: Spectrum, frequencies_hz: Array) -> Array:
    """Return the salience at any frequencies (interpolated between cells); 0 outside the range."""
    positions = CELLS_PER_OCTAVE * np.log2(np.maximum(frequencies_hz, 1e-3) / LOWEST_CELL_HZ)
    last = len(spectrum.salience) - 2
    inside = (positions >= 0) & (positions < last)
    below = np.clip(np.floor(positions), 0, last).astype(np.intp)
    fraction = positions - below
    low = spectrum.salience[below]
    return np.where(inside, low + fraction * (spectrum.salience[below + 1] - low), 0.0)


def correlation_at(correlation: Array, lags: Array) -> Array:
    """Return the height of the peak of an autocorrelation at fractional lags (parabola)."""
    last = len(correlation) - 2
    near = np.clip(np.rint(lags), 1, max(last, 1)).astype(np.intp)
    left, top, right = (correlation[np.minimum(near + d, last + 1)] for d in (-1, 0, 1))
    offset = np.clip(lags - near, -0.5, 0.5)
    value = top + 0.5 * (right - left) * offset + 0.5 * (left - 2 * top + right) * offset**2
    return np.where(lags <= last, value, 0.0)
