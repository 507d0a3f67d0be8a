"""How differently two notes sound when one is played in place of the other.

Spectra are compared as an ear takes them in: power in auditory filters (rounded exponentials of
Glasberg & Moore 1990, Hearing Research 47), over the threshold in quiet (Terhardt 1979), weighted
by the share of each filter in the loudness (exponent 0.23, Zwicker & Fastl). A note is taken to
be heard at 75 dB SPL; how loud it was recorded makes no difference.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from keymapper.model.tone import FALLS_DB, HIGHEST_BAND, LOWEST_BAND, Tone

HEARD_AT_DB_SPL = 75.0
LOUDNESS_EXPONENT = 0.23
_SILENT_POWER = 1e-17
_CUTOFF_STEPS = 122
"""Semitones from 24 kHz down to 20 Hz."""
_MOST_LOST_DB = 0.5
"""What a filter may take that is not to be heard."""
_FILTERS = np.arange(1.0, 41.0)
"""Centres on the scale of equivalent rectangular bandwidths: 26 Hz … 16.6 kHz."""


def band_hz(bands: np.ndarray) -> np.ndarray:
    """Return the centre of semitone bands, in Hz."""
    centres: np.ndarray = 440.0 * 2.0 ** ((bands - 69.0) / 12.0)
    return centres


def band_centres_hz() -> np.ndarray:
    """Return the centres of all bands of a tone, in Hz."""
    return band_hz(np.arange(LOWEST_BAND, HIGHEST_BAND + 1.0))


def band_powers(bands_db: Sequence[float]) -> np.ndarray:
    """Return levels as power re full scale, shape (bands,)."""
    powers: np.ndarray = 10.0 ** (np.asarray(bands_db) / 10.0)
    return powers


def transposed(powers: np.ndarray, semitones: int) -> np.ndarray:
    """Return band powers moved up by whole semitones; what leaves the scale is gone.

    powers : float, shape (…, bands).
    """
    moved = np.zeros_like(powers)
    count = powers.shape[-1]
    if abs(semitones) < count:
        low, high = max(0, semitones), min(count, count + semitones)
        moved[..., low:high] = powers[..., low - semitones : high - semitones]
    return moved


@lru_cache(maxsize=1)
def _filters() -> np.ndarray:
    """Power gain of each semitone band in each auditory filter, shape (bands, filters)."""
    centre = filter_centres_hz()
    width = 24.7 * (1.0 + 0.00437 * centre)
    away = 4.0 * np.abs(band_centres_hz()[:, None] - centre) / width
    gains: np.ndarray = (1.0 + away) * np.exp(-away)
    return gains


def filter_centres_hz() -> np.ndarray:
    """Return the centres of the auditory filters, in Hz, one equivalent bandwidth apart."""
    centres: np.ndarray = (10.0 ** (_FILTERS / 21.4) - 1.0) / 0.00437
    return centres


def quiet_power(frequency_hz: np.ndarray) -> np.ndarray:
    """Return the threshold in quiet, as power re 0 dB SPL."""
    khz = frequency_hz / 1000.0
    level = 3.64 * khz**-0.8 - 6.5 * np.exp(-0.6 * (khz - 3.3) ** 2) + 1e-3 * khz**4
    power: np.ndarray = 10.0 ** (level / 10.0)
    return power


def heard_gain(whole: np.ndarray) -> np.ndarray:
    """Return what to multiply band powers by so that the whole is at 75 dB SPL, shape (…, 1)."""
    total = whole.sum(axis=-1, keepdims=True)
    heard = np.where(total > _SILENT_POWER, 10.0 ** (HEARD_AT_DB_SPL / 10.0), 0.0)
    gain: np.ndarray = heard / np.maximum(total, _SILENT_POWER)
    return gain


def excitation(powers: np.ndarray, whole: np.ndarray | None = None) -> np.ndarray:
    """Return what each auditory filter takes in over its threshold in quiet, as a power ratio.

    powers : float, shape (…, bands), of semitone bands; silence gives zeros.
    whole : the sound that is heard at 75 dB SPL, where `powers` are only a part of it.
    """
    heard = powers * heard_gain(powers if whole is None else whole)
    over: np.ndarray = heard @ _filters() / quiet_power(filter_centres_hz())
    return over


def difference_db(one: np.ndarray, other: np.ndarray, *, with_level: bool = False) -> np.ndarray:
    """Return how differently two excitations sound: rms over the filters, weighted by loudness.

    About 1 is just heard side by side, 5 is another colour; two silent sounds are 0 apart.

    one, other : as `excitation` returns, shape (…, filters); they broadcast.
    with_level : count a difference in overall level too, else only that in colour.
    """
    levels = _apart_db(one, other)
    weights = (1.0 + one) ** LOUDNESS_EXPONENT + (1.0 + other) ** LOUDNESS_EXPONENT - 2.0
    weights = weights / np.maximum(weights.sum(axis=-1, keepdims=True), 1e-12)
    square = (weights * levels**2).sum(axis=-1)
    if not with_level:
        square = square - (weights * levels).sum(axis=-1) ** 2
    result: np.ndarray = np.sqrt(np.maximum(square, 0.0))
    return result


def _apart_db(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return by how much each filter takes in more of one sound, over its threshold in quiet."""
    apart: np.ndarray = 10.0 * (np.log10(1.0 + one) - np.log10(1.0 + other))
    return apart


def excitations(tones: Sequence[Tone], semitones: np.ndarray) -> np.ndarray:
    """Return the excitation of each note at each transposition, shape (notes, moves, filters)."""
    powers = np.stack([band_powers(tone.bands_db) for tone in tones])
    return excitation(np.stack([transposed(powers, int(by)) for by in semitones], axis=1))


def folding_loss_db(tone: Tone) -> float:
    """Return what a note loses in breadth when its sides are folded to one, in dB.

    The share of its power that cancels, band by band: 0 for equal sides, 3 for unrelated ones.
    """
    whole = band_powers(tone.bands_db)
    folded = np.minimum(band_powers(tone.folded_bands_db), whole)
    return float(difference_db(excitation(whole), excitation(folded, whole), with_level=True))


def _all_and_onset(tone: Tone) -> np.ndarray:
    """Return the band powers of a note over its length and of its onset, shape (2, bands)."""
    return np.stack([band_powers(tone.bands_db), band_powers(tone.onset_bands_db)])


def rate_loss_db(tone: Tone, rate: int) -> float:
    """Return how differently a note sounds at a lower sample rate, at its onset or after, in dB."""
    whole = _all_and_onset(tone)
    kept = np.where(band_centres_hz() < 0.45 * rate, whole, 0.0)
    losses = difference_db(excitation(whole), excitation(kept, whole), with_level=True)
    return float(losses.max())


def noise_loss_db(tone: Tone, noise_dbfs: float, rate: int) -> float:
    """Return how differently a note sounds with white noise of a level under it, in dB."""
    whole = band_powers(tone.bands_db)
    centre = band_centres_hz()
    width = centre * (2 ** (1 / 24) - 2 ** (-1 / 24))
    noise = np.where(centre < rate / 2, 10 ** (noise_dbfs / 10) * width / (rate / 2), 0.0)
    noisy = excitation(whole + noise, whole)
    return float(difference_db(excitation(whole), noisy, with_level=True))


def open_cutoff_hz(tone: Tone, semitones: int = 0) -> float:
    """Return the lowest cutoff of a two-pole low-pass that leaves a note as it is, in Hz.

    No auditory filter may lose more than half a dB of what it hears, at the onset or after;
    Butterworth response, as without resonance. At most 24 kHz, the least 20 Hz, also for silence.

    semitones : by which the note is transposed.
    """
    whole = transposed(_all_and_onset(tone), semitones)
    cutoffs = 24_000.0 * 2.0 ** (-np.arange(_CUTOFF_STEPS + 1) / 12.0)
    gains = 1.0 / (1.0 + (band_centres_hz() / cutoffs[:, None, None]) ** 4)
    full, left = excitation(whole), excitation(whole * gains, whole)
    lost_db = _apart_db(full, left).max(axis=(1, 2))
    as_it_is = np.logical_and.accumulate(lost_db <= _MOST_LOST_DB)
    return float(cutoffs[max(0, int(as_it_is.sum()) - 1)])


def ending_loss_db(tone: Tone, seconds: float) -> float:
    """Return how differently a note sounds when it ends so long after its onset, in dB.

    The same measure over time in place of frequency: the level that is missing, over a floor 60 dB
    under the loudest, weighted by its loudness. 0 where nothing is cut off.
    """
    times = np.array([0.0, *tone.falls_seconds, tone.seconds])
    over_floor = np.array([60.0, *(60.0 - fall for fall in FALLS_DB), 0.0])
    grid = (np.arange(400) + 0.5) * (tone.seconds / 400)
    level = np.interp(grid, times, over_floor)
    weights = 10.0 ** (LOUDNESS_EXPONENT * level / 10.0) - 1.0
    missing = np.where(grid >= seconds, level, 0.0)
    return math.sqrt(float(weights @ missing**2) / max(float(weights.sum()), 1e-12))
