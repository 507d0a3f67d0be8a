"""Fundamentals that the average spectrum could have."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from keymapper.measuring.pitch.spectra import CELLS_PER_OCTAVE, LOWEST_CELL_HZ, Spectrum
from keymapper.measuring.pitch.spectral import peak_offsets
from keymapper.measuring.pitch.sustain import Array

LOWEST_HZ = 26.0
HIGHEST_HZ = 4500.0
COMB_HARMONICS = 12
COMB_DECAY = 0.6
BETWEEN_WEIGHT = 0.6
LAG_COST_PER_OCTAVE = 0.03
FIRST_PEAK_SHARE = 0.85
MERGE_CENTS = 35.0
FIT_HARMONICS = 10
FIT_REACH = 0.04
FIT_LIMIT = 0.12


def comb_weights() -> tuple[Array, Array]:
    """Return the multiples of f that the harmonic comb reads, and their weights."""
    order = np.arange(1, COMB_HARMONICS + 1, dtype=np.float64)
    weights = order**-COMB_DECAY / np.sum(order**-COMB_DECAY)
    return np.concatenate([order, order - 0.5]), np.concatenate(
        [weights, -BETWEEN_WEIGHT * weights]
    )


@lru_cache(maxsize=4)
def _comb_cells(count: int) -> tuple[Array, Array, Array]:
    """Cells in the range of fundamentals, the cells their combs read, and the weights."""
    low = int(np.ceil(CELLS_PER_OCTAVE * np.log2(LOWEST_HZ / LOWEST_CELL_HZ)))
    high = int(CELLS_PER_OCTAVE * np.log2(HIGHEST_HZ / LOWEST_CELL_HZ))
    fundamentals = np.arange(low, min(high, count - 1))
    multiples, weights = comb_weights()
    shifts = np.rint(CELLS_PER_OCTAVE * np.log2(multiples)).astype(np.intp)
    reads = fundamentals[:, None] + shifts
    return fundamentals, np.where((reads < 0) | (reads >= count), count, reads), weights


def _best_peaks(values: Array, count: int) -> Array:
    """Return the indices of the highest local maxima, highest first."""
    middle = values[1:-1]
    peaks = np.flatnonzero((middle > values[:-2]) & (middle >= values[2:])) + 1
    return np.asarray(peaks[np.argsort(-values[peaks], kind="stable")[:count]])


def _lag_candidates(correlation: Array, rate_hz: float, count: int, *, first: bool) -> Array:
    shortest = max(2, int(rate_hz / HIGHEST_HZ))
    longest = min(len(correlation) - 1, int(rate_hz / LOWEST_HZ) + 2)
    if longest - shortest < 3:
        return np.zeros(0)
    lags = np.arange(shortest, longest)
    values = correlation[shortest:longest]
    peaks = _best_peaks(values - LAG_COST_PER_OCTAVE * np.log2(lags), count)
    if first and len(peaks):
        middle = values[1:-1]
        high = middle >= FIRST_PEAK_SHARE * values[peaks].max()
        tops = (middle > values[:-2]) & (middle >= values[2:]) & high
        peaks = np.append(peaks, np.argmax(tops) + 1)
    left, top, right = values[peaks - 1], values[peaks], values[peaks + 1]
    return np.asarray(rate_hz / (lags[peaks] + peak_offsets(left, top, right)))


def _comb_candidates(spectrum: Spectrum, count: int) -> Array:
    fundamentals, reads, weights = _comb_cells(len(spectrum.salience))
    if len(fundamentals) < 3:
        return np.zeros(0)
    comb = np.append(spectrum.salience, 0.0)[reads] @ weights
    peaks = fundamentals[_best_peaks(comb, count)]
    return np.asarray(LOWEST_CELL_HZ * 2 ** (peaks / CELLS_PER_OCTAVE))


def _fit_to_peaks(f0_hz: Array, spectrum: Spectrum) -> Array:
    """Two weighted least-squares steps onto the peaks of the first ten harmonics."""
    peaks = spectrum.peaks_hz
    weight = np.sqrt(spectrum.energies)
    for _ in range(2):
        order = np.rint(peaks / f0_hz[:, None])
        near = np.abs(peaks / f0_hz[:, None] - order) < np.minimum(FIT_REACH * order, FIT_LIMIT)
        used = weight * (near & (order >= 1) & (order <= FIT_HARMONICS))
        total = np.sum(used * order**2, axis=1)
        fitted = np.sum(used * order * peaks, axis=1) / np.maximum(total, 1e-12)
        f0_hz = np.where(total > 1e-9, fitted, f0_hz)
    return f0_hz


def find_candidates(spectrum: Spectrum) -> Array:
    """Return the fundamentals worth judging, in Hz, low to high; empty for silence.

    The best lags of both autocorrelations, the best combs and the strongest partials, with twice,
    half and a third of each, fitted to the peaks and merged within 35 cents.
    """
    strongest = spectrum.peaks_hz[np.argsort(-spectrum.energies, kind="stable")[:4]]
    seeds = np.concatenate(
        [
            _lag_candidates(spectrum.nac, spectrum.rate_hz, 5, first=True),
            _lag_candidates(spectrum.gac, spectrum.rate_hz, 5, first=False),
            _comb_candidates(spectrum, 6),
            strongest,
        ]
    )
    seeds = np.concatenate([seeds, 2 * seeds, seeds / 2, seeds / 3])
    top = min(HIGHEST_HZ, 0.45 * spectrum.rate_hz)
    seeds = seeds[(seeds > LOWEST_HZ) & (seeds < top)]
    if not len(seeds):
        return seeds
    f0_hz = np.sort(_fit_to_peaks(seeds, spectrum))
    f0_hz = f0_hz[(f0_hz > LOWEST_HZ / 1.02) & (f0_hz < top * 1.02)]
    if not len(f0_hz):
        return f0_hz
    steps = np.diff(np.log2(f0_hz), prepend=-10.0) * 1200 > MERGE_CENTS
    starts = np.flatnonzero(steps)
    ends = np.append(starts[1:], len(f0_hz))
    return np.asarray(f0_hz[(starts + ends) // 2])
