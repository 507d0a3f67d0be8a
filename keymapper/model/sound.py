"""What a note sounds like apart from its pitch and loop: times, levels, channels.

Levels are in dB re full scale, at least SILENCE_DBFS; frames count from the start of the file.
"""

from __future__ import annotations

from dataclasses import dataclass

SILENCE_DBFS = -200.0
"""Stated level of digital silence, so that no infinity has to be written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """When the parts of a note happen, in frames."""

    onset_frame: int
    """First frame that is audible."""
    attack_end_frame: int
    """First frame within 2 dB of the sustained level (of the peak, for a sound that decays)."""
    note_off_frame: int
    """Where the key was let go: end of the sustain, or of the sound where it just decays."""
    end_frame: int
    """One past the last audible frame."""
    sustains: bool
    """Whether the level holds until note-off; a sound that decays is never looped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """How loud and how clean a note is."""

    peak_dbfs: float
    rms_dbfs: float
    """From onset to end, over all channels."""
    loudness_lufs: float
    """Loudest 400 ms (or the whole sound, where shorter), K-weighted as in BS.1770."""
    body_dbfs: float
    """Unweighted level of what goes on sounding, the loop or else the sustain; of what decays, of
    its loudest 400 ms. What notes of one set are compared by."""
    noise_floor_dbfs: float | None
    """RMS of the quietest part before the onset or after the end; None where there is none."""
    dc_offset: float
    """Largest mean of a channel, full scale 1.0, with its sign."""
    clipped_frames: int
    """In runs at full scale."""
    flat_top_frames: int = 0
    """In peaks cut flat below full scale; 0 where any are clipped at it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Channels:
    """How the two sides relate; all False for mono."""

    count: int
    dead: str
    """"left", "right" or "" """
    equal: bool
    """Both sides hold the same samples: mono stored as stereo."""
    inverted: bool
    """One side is the other upside down: it vanishes in mono."""
    correlation: float
    balance_db: float
    """Level of the right side over the left."""
