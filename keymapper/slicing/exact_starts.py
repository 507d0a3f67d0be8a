"""Exact onsets of notes that were found without a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.slicing.attack import key_down_of
from keymapper.slicing.beginning import beginning_of
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.starts import NoteStart
from keymapper.slicing.swelling import key_down_seconds, seen_audible
from keymapper.slicing.timing import Asked, Timed, moment_of, note_peak, timed_onset

_START_LAG_SECONDS, _SWELL_LAG_SECONDS = 0.006, 0.05
"""So long after key-down, at most, a start is heard."""
_AFTER_SWELL_SECONDS = 0.014
"""A swell is audible so long after its beginning."""
_SWELL_REACH_SECONDS, _NEAREST_SECONDS = 0.25, 0.002
_PLACES, _SWELL_PLACES = ((0.0, 0.05),), ((0.0, 0.25), (0.25, 0.25))
"""Where notes are seen to grow, by turns: seconds before they are heard (beats hide the first
moments of some), and reach."""
_SAME_SECONDS = 0.025
"""What is heard so little before growing is seen is the same key-down."""


def exact_starts(heard: HeardTake, starts: Sequence[NoteStart]) -> list[float]:
    """Return when the notes that begin so become audible, in order of time."""
    untils = [start.seconds for start in starts[1:]] + [heard.levels.duration_seconds]
    found = zip(starts, untils, strict=True)
    exact = side_by_side(lambda one: _onset(heard, *one), found)
    return sorted(max(0.0, second) for second in exact)


def _onset(heard: HeardTake, start: NoteStart, until_seconds: float) -> float:
    asked = Asked(
        plan_index=0,
        patch=0,
        expected_seconds=max(0.0, start.seconds - _START_LAG_SECONDS),
        off_seconds=until_seconds,
        until_seconds=until_seconds,
    )
    near = _as_it_swells(heard, asked, start) if start.swells else asked
    timed = timed_onset(heard.levels, near, moment_of(heard.take, heard.levels, near, heard.hum_hz))
    blurred = timed.case != "clear" if start.swells else timed.blurred
    seen = None
    if blurred and timed.swells:
        grown = _seen_growing(heard, asked, _SWELL_PLACES if start.swells else _PLACES)
        seen = None if grown is None else _grown_audible(heard, _with_click(grown, timed))
    if seen is not None:
        return seen
    return start.seconds - 0.01 if timed.onset_seconds is None else timed.onset_seconds


def _as_it_swells(heard: HeardTake, asked: Asked, start: NoteStart) -> Asked:
    """Return a slow note as asked for when its swell has it begin."""
    near = start.seconds - _SWELL_LAG_SECONDS
    swell = key_down_of(heard.levels, near, asked.until_seconds, _SWELL_REACH_SECONDS)
    expected = start.seconds if swell is None else swell.key_down_seconds + _AFTER_SWELL_SECONDS
    return replace(asked, expected_seconds=max(0.0, expected))


def _seen_growing(
    heard: HeardTake, asked: Asked, places: Sequence[tuple[float, float]]
) -> Asked | None:
    """Return a slow note as asked for when it is seen to grow from, None where that is not seen.

    It is held, as far as can be told, until it is loudest.
    """
    for sooner, reach in places:
        expected = max(0.0, asked.expected_seconds - sooner)
        first, end = heard.levels.block(expected), heard.levels.block(asked.until_seconds)
        if end <= first:
            continue
        loudest = first + int(np.argmax(heard.course.power[first:end]))
        off = loudest * heard.course.block_seconds
        held = replace(asked, expected_seconds=expected, off_seconds=off)
        beginning = beginning_of(heard.take, heard.levels, held, heard.hum_hz, reach)
        later = None if beginning is None else key_down_seconds(beginning, _NEAREST_SECONDS)
        if later is not None:
            return replace(held, expected_seconds=expected + later)
    return None


def _with_click(grown: Asked, timed: Timed) -> Asked:
    """Return a note seen to grow, asked for when something beneath a tail was heard before it."""
    onset = timed.onset_seconds
    if timed.case != "tail" or onset is None:
        return grown
    heard_before = 0 < grown.expected_seconds - onset < _SAME_SECONDS
    return replace(grown, expected_seconds=onset) if heard_before else grown


def _grown_audible(heard: HeardTake, grown: Asked) -> float | None:
    """Return when a slow note becomes audible beneath noise or a tail; None where it hides."""
    beginning = beginning_of(heard.take, heard.levels, grown, heard.hum_hz)
    peak = note_peak(heard.levels, grown.expected_seconds, grown.until_seconds)
    seen = None if beginning is None else seen_audible(beginning, peak)
    return None if seen is None else grown.expected_seconds + seen.seconds
