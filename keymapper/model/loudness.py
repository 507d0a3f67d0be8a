"""Loudness of a whole sound, by ITU-R BS.1770 and EBU Tech 3341/3342."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """What is measured of a sound as a whole; None where it is silent or too short for it."""

    integrated_lufs: float | None
    """Gated, over all of it."""
    range_lu: float | None
    true_peak_dbtp: float
    momentary_lufs: float | None
    """Highest of any 400 ms."""
    short_term_lufs: float | None
    """Highest of any 3 s."""
