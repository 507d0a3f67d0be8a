"""Notes given by their spectra alone, and how far apart two of them sound."""

import numpy as np

from keymapper.model.hearing import band_powers, difference_db, excitation, transposed
from keymapper.model.tone import FALLS_DB, HIGHEST_BAND, LOWEST_BAND, Tone

BANDS = np.arange(LOWEST_BAND, HIGHEST_BAND + 1.0)


def falling_tone(key: int, cutoff_band: float, fall_db: float, filter_db: float) -> Tone:
    """Return a note whose levels fall by some dB a semitone, and by more above a cutoff."""
    levels = np.where(key - 0.5 > BANDS, -120.0, -20.0 - fall_db * (BANDS - key))
    levels = np.maximum(levels - filter_db * np.maximum(0.0, BANDS - cutoff_band), -120.0)
    bands = tuple(float(level) for level in levels)
    return Tone(
        bands_db=bands,
        folded_bands_db=bands,
        onset_bands_db=bands,
        edge_99_hz=1000.0,
        edge_999_hz=2000.0,
        audible_edge_hz=4000.0,
        centroid_hz=500.0,
        falls_seconds=(1.0,) * len(FALLS_DB),
        seconds=1.0,
    )


def spectral_distance_db(tone_a: Tone, tone_b: Tone, semitones: int) -> float:
    """Return how differently note a sounds, transposed by semitones, from note b, in dB."""
    a = transposed(band_powers(tone_a.bands_db), semitones)
    b = band_powers(tone_b.bands_db)
    return float(difference_db(excitation(a), excitation(b)))
