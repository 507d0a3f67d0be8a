"""The colour of a note: a few windows over its length, summed into semitone bands."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import scipy.fft

from keymapper.measuring.blocks import block_energies
from keymapper.model.hearing import band_centres_hz, band_hz, heard_gain, quiet_power
from keymapper.model.sound import SILENCE_DBFS, Course
from keymapper.model.tone import FALLS_DB, HIGHEST_BAND, LOWEST_BAND, Tone

WINDOW_SECONDS = 0.34
BODY_WINDOWS = 4
BLOCK_SECONDS = 0.01
DECAYED_DB = 30.0
"""Windows of a sound that decays lie before it has fallen so far."""
QUIET_PART_DB = 30.0
"""Parts this far under the loudest say nothing about how far up the sound reaches."""
_MIN_POWER = 10 ** (SILENCE_DBFS / 10)


def tone(samples: np.ndarray, rate: int, course: Course) -> Tone:
    """Return what a note sounds like over its length.

    Five Hann windows of 0.34 s: one about the onset, four over the sustain (for a sound that
    decays, over its first 30 dB); means leave the onset out where the note sustains. Power is
    summed into semitones, a bin at a border counting for both by its share.

    samples : float, shape (frames, channels), full scale 1.0, at least one frame, free of DC.
    course : of the same samples.
    """
    falls, seconds = _falls_seconds(samples, rate, course)
    windows = _windows(samples, rate, course, falls[FALLS_DB.index(DECAYED_DB)])
    spectra = scipy.fft.rfft(windows, axis=-1, overwrite_x=True)
    power = _power(spectra).mean(axis=1)
    folded = power if spectra.shape[1] == 1 else _power(spectra.mean(axis=1))
    body = slice(1 if course.sustains else 0, None)
    parts = _summed(power, rate)
    spacing_hz = rate / windows.shape[-1]
    silent = not float(power.sum()) > _MIN_POWER
    return Tone(
        bands_db=_levels_db(parts[body].mean(axis=0)),
        folded_bands_db=_levels_db(_summed(folded[body].mean(axis=0), rate)),
        onset_bands_db=_levels_db(parts[0]),
        edge_99_hz=None if silent else _edge_hz(power, spacing_hz, 0.99),
        edge_999_hz=None if silent else _edge_hz(power, spacing_hz, 0.999),
        audible_edge_hz=None if silent else _audible_edge_hz(parts),
        centroid_hz=None if silent else _centroid_hz(power[body].sum(axis=0), spacing_hz),
        falls_seconds=falls,
        seconds=seconds,
    )


def _falls_seconds(
    samples: np.ndarray, rate: int, course: Course
) -> tuple[tuple[float, ...], float]:
    """When the level has fallen by each of FALLS_DB for good, and how long the sound is."""
    sound = samples[course.onset_frame : course.end_frame]
    seconds = len(sound) / rate
    block = max(1, round(BLOCK_SECONDS * rate))
    power = block_energies(sound, block).astype(float)
    if len(power) == 0:
        return (seconds,) * len(FALLS_DB), seconds
    still_to_come = np.maximum.accumulate(power[::-1])[::-1]
    limits = still_to_come[0] * 10.0 ** (-np.array(FALLS_DB) / 10.0)
    fallen = np.searchsorted(-still_to_come, -limits, side="right")
    times = np.where(fallen < len(power), fallen * block / rate, seconds)
    return tuple(float(time) for time in times), seconds


def _windows(samples: np.ndarray, rate: int, course: Course, decayed: float) -> np.ndarray:
    """Return the windowed parts, shape (1 + BODY_WINDOWS, channels, frames)."""
    size = 1 << max(6, round(np.log2(WINDOW_SECONDS * rate)))
    onset = course.onset_frame - size // 4
    if course.sustains:
        first, last = course.attack_end_frame, course.note_off_frame - size
    else:
        first, last = onset, onset + round(decayed * rate) - size // 2
    starts = [onset, *np.linspace(first, max(first, last), BODY_WINDOWS).round().astype(int)]
    parts = np.zeros((len(starts), samples.shape[1], size), samples.dtype)
    for part, start in zip(parts, starts, strict=True):
        taken = samples[max(0, start) : min(start + size, course.end_frame)]
        lead = max(0, -start)
        part[:, lead : lead + len(taken)] = taken.T
    parts *= _hann(size, samples.dtype.str)
    return parts


@lru_cache(maxsize=8)
def _hann(size: int, dtype: str) -> np.ndarray:
    """Return a periodic Hann window; spectra through it hold one-sided power re full scale."""
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    scaled: np.ndarray = (window * np.sqrt(2.0 / (size * (window @ window)))).astype(dtype)
    return scaled


def _power(spectra: np.ndarray) -> np.ndarray:
    power: np.ndarray = spectra.real**2 + spectra.imag**2
    return power


@lru_cache(maxsize=8)
def _border_bins(bins: int, rate: int) -> np.ndarray:
    """Borders of the semitone bands, in bins of a spectrum; each bin reaches half to each side."""
    borders_hz = band_hz(np.arange(LOWEST_BAND - 0.5, HIGHEST_BAND + 1.0))
    places: np.ndarray = np.clip(borders_hz * 2 * (bins - 1) / rate + 0.5, 0, bins)
    return places


def _summed(power: np.ndarray, rate: int) -> np.ndarray:
    """Return the power in each semitone, shape (…, bands)."""
    bins = power.shape[-1]
    places = _border_bins(bins, rate)
    below = np.zeros((*power.shape[:-1], bins + 1))
    np.cumsum(power, axis=-1, out=below[..., 1:])
    whole = np.minimum(places.astype(int), bins - 1)
    at_borders = below[..., whole] + (places - whole) * power[..., whole]
    bands: np.ndarray = np.maximum(np.diff(at_borders, axis=-1), 0.0)
    return bands


def _levels_db(powers: np.ndarray) -> tuple[float, ...]:
    levels = 10.0 * np.log10(np.maximum(powers, _MIN_POWER))
    return tuple(round(float(level), 2) for level in levels)


def _edge_hz(power: np.ndarray, spacing_hz: float, share: float) -> float:
    """Highest frequency below which this share of the energy lies, of all parts that are loud."""
    totals = power.sum(axis=-1)
    loud = power[totals >= totals.max() * 10 ** (-QUIET_PART_DB / 10)]
    below = np.cumsum(loud, axis=-1, dtype=np.float64)
    reached = [int(np.searchsorted(one, share * one[-1])) for one in below]
    return float((max(reached) + 0.5) * spacing_hz)


def _audible_edge_hz(parts: np.ndarray) -> float:
    """Upper border of the highest band that lies over the threshold in quiet in any part."""
    loudest = parts[int(np.argmax(parts.sum(axis=-1)))]
    heard = (parts * heard_gain(loudest) > quiet_power(band_centres_hz())).any(axis=0)
    highest = np.flatnonzero(heard)[-1] if heard.any() else np.argmax(loudest)
    return float(band_hz(np.asarray(LOWEST_BAND + highest + 0.5)))


def _centroid_hz(power: np.ndarray, spacing_hz: float) -> float:
    return float(power @ np.arange(len(power)) / power.sum() * spacing_hz)
