"""Where each harmonic lies within a window of the note, and how surely."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.measuring.pitch.harmonics import FLAT_SHARE, Harmonics, flatten
from keymapper.measuring.pitch.spectral import hann
from keymapper.measuring.pitch.sustain import Array

CENTS_PER_RATIO = 1200 / np.log(2)
LEAST_SNR_RATIO = 12.0
"""Power of a partial over the noise beside it."""
MEDIAN_TO_MEAN = 0.69
"""Of the power of noise, which is exponentially distributed: ln 2."""
SKIRT_DB = -27.0
"""Below the highest bin: what is softer is not counted as part of a partial."""
LINE_WIDTH_BINS = 0.8
"""What is narrower, as rms, is a line."""
HANN_VARIANCE_BINS = 0.33
"""Of the power of a line in a Hann window, in bins²: it is no width of the partial's own."""
RING_POINTS = 48


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WindowPartials:
    """The partials found in one window, one entry each in every array."""

    f0_hz: float
    orders: Array
    frequencies_hz: Array
    spreads_hz: Array
    """RMS width beyond the window's own."""
    is_line: Array
    noises_cents: Array
    """Standard error due to noise."""
    amplitudes: Array
    window_seconds: float


def measure_partials(
    harmonics: Harmonics, start_seconds: float, end_seconds: float
) -> WindowPartials:
    """Return frequency, width and certainty of each harmonic found in a Hann window.

    A partial narrower than 0.8 / window is a line: interpolated between its two highest bins,
    d = (2 r - 1) / (r + 1), exact for a Hann window (Grandke 1983). A wider one is a cluster: the
    centroid of the power above the noise floor.
    """
    first = max(0, round(start_seconds * harmonics.point_hz))
    last = min(harmonics.signals.shape[1], round(end_seconds * harmonics.point_hz))
    points = max(last - first, 4)
    signals = harmonics.signals[:, first : first + points]
    points = signals.shape[1]
    window = hann(points).astype(np.float32)
    level = np.sqrt(np.mean(signals.real**2 + signals.imag**2, axis=1))
    spectra = fft.fftshift(fft.fft(flatten(signals, harmonics.point_hz) * window, axis=1), axes=1)
    seconds = points / harmonics.point_hz
    power = (spectra.real**2 + spectra.imag**2).astype(np.float64)
    expected = harmonics.orders * harmonics.f0_hz
    shift = (expected - harmonics.centres_hz) * seconds
    return _partials_of(harmonics, power, shift, level, seconds)


def _partials_of(
    harmonics: Harmonics, power: Array, shift: Array, level: Array, seconds: float
) -> WindowPartials:
    bins = np.arange(power.shape[1]) - power.shape[1] // 2
    orders, f0_hz = harmonics.orders, harmonics.f0_hz
    expected = orders * f0_hz
    half = harmonics.half_band_hz * seconds
    reach = np.maximum(np.minimum(0.025 * expected * seconds, FLAT_SHARE * half), 3.0)
    distance = np.abs(bins - shift[:, None])
    band = distance <= reach[:, None]
    floor = _ring_floor(power, distance, reach, 0.9 * half)
    inside = np.where(band, power, 0.0)
    rows = np.arange(len(orders))
    top = np.clip(np.argmax(inside, axis=1), 1, power.shape[1] - 2)
    left, peak, right = (power[rows, top + step] for step in (-1, 0, 1))
    clean = np.where(inside > peak[:, None] * 10 ** (SKIRT_DB / 10), inside, 0.0)
    clean = np.maximum(clean - 3 * floor[:, None], 0.0)
    total = clean.sum(axis=1) + 1e-30
    centroid = clean @ bins / total
    variance = np.maximum(clean @ (bins**2.0) / total - centroid**2, 0.0)
    is_line = np.sqrt(variance) < LINE_WIDTH_BINS
    place = np.where(is_line, bins[top] + _line_offset(left, peak, right), centroid)
    frequencies = harmonics.centres_hz + place / seconds
    snr = peak / np.maximum(floor, 1e-30)
    own_width = np.sqrt(np.maximum(variance - HANN_VARIANCE_BINS, 0.0))
    spread = np.where(is_line, 0.0, own_width) / seconds
    noise = 1.2 * 0.55 / (seconds * np.sqrt(snr))
    energy = level * np.sqrt(total / np.maximum(power.sum(axis=1), 1e-30))
    found = (peak > LEAST_SNR_RATIO * floor) & (peak > 0) & (frequencies > 0)
    return WindowPartials(
        f0_hz=f0_hz,
        orders=orders[found].astype(np.float64),
        frequencies_hz=frequencies[found],
        spreads_hz=spread[found],
        is_line=is_line[found],
        noises_cents=(CENTS_PER_RATIO * noise / expected)[found],
        amplitudes=energy[found],
        window_seconds=seconds,
    )


def _line_offset(left: Array, peak: Array, right: Array) -> Array:
    """Return how far, in bins, a line lies from its highest bin, by the power of its neighbours."""
    ratio = np.sqrt(np.maximum(left, right) / (peak + 1e-30))
    return np.asarray((2 * ratio - 1) / (ratio + 1) * np.where(right >= left, 1.0, -1.0))


def _ring_floor(power: Array, distance: Array, reach: Array, outer: float) -> Array:
    """Noise power beside each band: the median of the ring around it, as a mean."""
    ring = (distance > reach[:, None]) & (distance <= np.maximum(outer, reach + 4)[:, None])
    step = max(1, power.shape[1] // (4 * RING_POINTS))
    masked = np.where(ring, power, np.nan)[:, ::step]
    masked.sort(axis=1)
    count = np.sum(np.isfinite(masked), axis=1)
    middle = np.maximum((count - 1) // 2, 0)
    median = masked[np.arange(len(masked)), middle]
    return np.where(count > 0, np.nan_to_num(median), 0.0) / MEDIAN_TO_MEAN
