"""The exact pitch, once the key is known roughly."""

from __future__ import annotations

import math
from dataclasses import dataclass

from keymapper.measuring.pitch.harmonics import (
    Harmonics,
    NoteSpectrum,
    cut_harmonics,
    note_spectrum,
)
from keymapper.measuring.pitch.partials import CENTS_PER_RATIO, measure_partials
from keymapper.measuring.pitch.sustain import Sustain
from keymapper.measuring.pitch.track import Track, pitch_track
from keymapper.measuring.pitch.vote import Vote, vote

SKIP_SECONDS = 0.4
LEAST_SECONDS = 0.25
LEAST_PERIODS = 14.0
LONGEST_SECONDS = 5.0
FIRST_HARMONICS = 8
HARMONICS = 24
LOW_HARMONICS, LOW_HZ = 36, 110.0
"""Below that pitch so many harmonics are looked at."""
GUARD_CENTS = 35.0
"""How far the exact pitch may lie from the coarse one …"""
GUARD_BIN_CENTS, GUARD_FRAME_SECONDS = 600.0, 0.186
"""… or a third of a bin (1731 cents at its own frequency) of a frame as the coarse stage takes."""
LOOSE_SHARE = 0.6
STRETCHED_CENTS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FinePitch:
    """Exact pitch of a note: the vote, the window it was taken from, and the harmonics."""

    vote: Vote
    harmonics: Harmonics
    start_seconds: float
    end_seconds: float
    is_period: bool

    @property
    def f0_hz(self) -> float:
        """The pitch: the common period where partials are stretched or disagree."""
        return self.vote.period_hz if self.is_period else self.vote.f0_hz

    @property
    def window_seconds(self) -> float:
        """Length of the window."""
        return self.end_seconds - self.start_seconds


def fine_pitch(sustain: Sustain, coarse_hz: float) -> FinePitch | None:
    """Return the exact pitch near ``coarse_hz``, or None when the partials deny it.

    The window skips up to 0.4 s, in which a closing filter's moving phase flattens the sound; when
    that gives no pitch near the coarse one, the whole steady part is tried.
    """
    spectrum = note_spectrum(sustain.mono, sustain.rate_hz)
    start, end = sustain.start_frame / sustain.rate_hz, sustain.end_frame / sustain.rate_hz
    spare = (end - start) - max(LEAST_SECONDS, LEAST_PERIODS / coarse_hz)
    skip = max(0.0, min(SKIP_SECONDS, (end - start) / 2, spare))
    guard = max(GUARD_CENTS, GUARD_BIN_CENTS / (GUARD_FRAME_SECONDS * coarse_hz))
    windows = [(start + skip, min(end, start + skip + LONGEST_SECONDS)), (start, end)]
    for window in windows:
        found = _refine(spectrum, coarse_hz, *window)
        if found is not None and abs(_cents(found.f0_hz, coarse_hz)) <= guard:
            return found
    return None


def track_at(sustain: Sustain, f0_hz: float) -> Track | None:
    """Return the pitch against time of a note of known pitch, or None when the partials deny it."""
    harmonics = cut_harmonics(
        note_spectrum(sustain.mono, sustain.rate_hz), f0_hz, _harmonic_count(f0_hz)
    )
    start, end = sustain.start_frame / sustain.rate_hz, sustain.end_frame / sustain.rate_hz
    found = vote(measure_partials(harmonics, start, end))
    if found is None or abs(_cents(found.f0_hz, f0_hz)) > GUARD_CENTS:
        return None
    return pitch_track(harmonics, found.agreeing, end)


def _harmonic_count(f0_hz: float) -> int:
    return LOW_HARMONICS if f0_hz < LOW_HZ else HARMONICS


def _cents(f0_hz: float, reference_hz: float) -> float:
    return float(CENTS_PER_RATIO * math.log(max(f0_hz, 1e-6) / reference_hz))


def _refine(spectrum: NoteSpectrum, coarse_hz: float, start: float, end: float) -> FinePitch | None:
    f0_hz = coarse_hz
    found = harmonics = None
    many = _harmonic_count(coarse_hz)
    for count in (FIRST_HARMONICS, many, many):
        harmonics = cut_harmonics(spectrum, f0_hz, count)
        result = vote(measure_partials(harmonics, start, end))
        if result is None or abs(_cents(result.f0_hz, f0_hz)) > 200:
            break
        moved = abs(_cents(result.f0_hz, f0_hz))
        found, f0_hz = result, result.f0_hz
        if count == many and moved < 0.2:
            break
    if found is None or harmonics is None:
        return None
    return FinePitch(
        vote=found,
        harmonics=harmonics,
        start_seconds=start,
        end_seconds=end,
        is_period=found.share < LOOSE_SHARE or _is_stretched(found),
    )


def _is_stretched(found: Vote) -> bool:
    apart = abs(_cents(found.period_hz, found.f0_hz))
    return found.inharmonicity != 0 and apart > STRETCHED_CENTS
