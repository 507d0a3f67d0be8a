"""What the package does for many notes at once, for two."""

from keymapper.model.hearing import band_powers, difference_db, excitation, transposed
from keymapper.model.tone import Tone


def spectral_distance_db(tone_a: Tone, tone_b: Tone, semitones: int) -> float:
    """Return how differently note a sounds, transposed by semitones, from note b, in dB."""
    a = transposed(band_powers(tone_a.bands_db), semitones)
    b = band_powers(tone_b.bands_db)
    return float(difference_db(excitation(a), excitation(b)))
