"""Where a note ends: its release sinks into the noise floor, or the next note begins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.slicing.levels import Levels

_WINDOW_SECONDS = 0.03
_QUIET_SECONDS = 0.2
_FLOOR_RATIO = 2.0
"""The end is where the note's own power has sunk to that of the noise."""
_LEAST_RATIO = 1e-9
"""Against digital silence: 90 dB below the peak."""
_RINGING_RATIO = 1e-4
"""A tail cut off 40 dB below the peak of its note is no loss."""
_GUARD_SECONDS = 0.002
_SHORTEST_SECONDS = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteEnd:
    """The end of a note, in seconds of the take."""

    seconds: float
    is_cut_off: bool
    """It still sounds well above the noise floor there."""


def note_end(
    levels: Levels, onset_seconds: float, off_seconds: float, limit_seconds: float
) -> NoteEnd:
    """Return where a note ends.

    off_seconds : its note-off; the silence that ends it must reach beyond that.
    limit_seconds : the onset of the next note, or the end of the take.
    """
    limit = max(limit_seconds - _GUARD_SECONDS, onset_seconds + _SHORTEST_SECONDS)
    block = levels.course.block_seconds
    window = max(1, round(_WINDOW_SECONDS / block))
    start = onset_seconds + 0.005
    smooth = levels.smooth_power(start, limit, window)
    floor = max(levels.noise_before(onset_seconds), levels.noise_power)
    peak = levels.peak(onset_seconds, limit)
    quiet_level = max(_FLOOR_RATIO * floor, _LEAST_RATIO * peak**2)
    sounding = np.flatnonzero(smooth > quiet_level)
    if not len(sounding):
        return NoteEnd(seconds=min(limit, max(off_seconds, onset_seconds + 0.05)), is_cut_off=False)
    gap = round(_QUIET_SECONDS / block)
    held = round((off_seconds - start) / block)
    breaks = np.flatnonzero((np.diff(sounding) > gap) & (sounding[1:] > held))
    last = int(sounding[breaks[0]] if len(breaks) else sounding[-1])
    end = start + (last + window) * block
    rings = float(smooth[-1]) > max(16 * quiet_level, _RINGING_RATIO * peak**2)
    is_cut_off = end >= limit - 0.02 and rings
    return NoteEnd(seconds=limit if is_cut_off else min(end, limit), is_cut_off=is_cut_off)
