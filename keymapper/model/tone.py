"""What a note sounds like over its length, for comparing notes and for the range of controls.

Levels of bands are dB re full scale, at least SILENCE_DBFS. Band k is the semitone about key k
(8.2 Hz · 2^(k/12) at the reference A4 = 440 Hz): a scale of log frequency on which a transposed
note is the same note moved by whole bands.
"""

from __future__ import annotations

from dataclasses import dataclass

LOWEST_BAND = 12
HIGHEST_BAND = 135
"""16 Hz … 20 kHz."""
FALLS_DB = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0)
"""Below the loudest 10 ms: where the course of a sound's level is noted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """The long-term spectrum of a note, how far it reaches up, and how it dies away."""

    bands_db: tuple[float, ...]
    """Level of each semitone, LOWEST_BAND … HIGHEST_BAND, mean power of the channels."""
    folded_bands_db: tuple[float, ...]
    """The same of all channels folded to one; as `bands_db` for mono."""
    onset_bands_db: tuple[float, ...]
    """Of the first 0.3 s alone."""
    edge_99_hz: float | None
    """Below it lie 99 % of the energy in every part of the note; None for silence."""
    edge_999_hz: float | None
    """The same for 99.9 %."""
    audible_edge_hz: float | None
    """Above it nothing can be heard in any part of the note, beside what is below."""
    centroid_hz: float | None
    """Mean frequency, weighted by power."""
    falls_seconds: tuple[float, ...]
    """From the onset: when the level has fallen by each of FALLS_DB for good, or the sound ends."""
    seconds: float
    """From the onset to the end of the sound."""
