"""A take cut without a plan: notes found by their sound against the measured noise floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.slicing.attack import key_down_of
from keymapper.slicing.ends import note_end
from keymapper.slicing.evidence import HeardPitch, PitchOf
from keymapper.slicing.found import FoundNote, SlicedTake, found_note
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.levels import power_to_db
from keymapper.slicing.starts import NoteStart, note_starts
from keymapper.slicing.swelling import beginning_of, key_down_seconds, seen_audible
from keymapper.slicing.timing import Asked, moment_of, note_peak, timed_onset

_SWELL_REACH_SECONDS, _REACH_SECONDS, _NEAREST_SECONDS = 0.25, 0.05, 0.002
_LEAST_SNR_DB = 5.0
_PITCH_SECONDS = (0.08, 1.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardNote:
    """A note without a plan, and the pitch it was heard at."""

    note: FoundNote
    pitch: HeardPitch | None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnplannedTake:
    """All notes of a take recorded without a plan."""

    sliced: SlicedTake
    pitches: tuple[HeardPitch | None, ...]
    """One a note of `sliced`."""


def slice_unplanned(heard: HeardTake, pitch_of: PitchOf | None = None) -> UnplannedTake:
    """Return the notes of a take without a plan.

    Raises MeasurementError where no note is heard.
    """
    starts = note_starts(heard)
    if not starts:
        raise MeasurementError("no note begins in the take; check what was recorded.")
    onsets = _exact(heard, starts)
    notes = [note for note in _cut(heard, onsets) if note.signal_to_noise_db >= _LEAST_SNR_DB]
    if not notes:
        raise MeasurementError("no note stands out of the noise floor; record with more gain.")
    sliced = SlicedTake(
        latency_seconds=None,
        drift_ppm=None,
        notes=tuple(notes),
        missing=(),
        outside=(),
        onsets_found=len(notes),
        onsets_matched=0,
        noise_floor_dbfs=power_to_db(heard.levels.noise_power),
    )
    return UnplannedTake(sliced=sliced, pitches=tuple(_pitch(heard, n, pitch_of) for n in notes))


def _exact(heard: HeardTake, starts: Sequence[NoteStart]) -> list[float]:
    duration = heard.levels.duration_seconds
    exact = []
    for number, start in enumerate(starts):
        until = starts[number + 1].seconds if number + 1 < len(starts) else duration
        expected = start.seconds - 0.006
        if start.swells:
            swell = key_down_of(heard.levels, start.seconds - 0.05, until, _SWELL_REACH_SECONDS)
            expected = start.seconds if swell is None else swell.key_down_seconds + 0.014
        asked = Asked(
            plan_index=number,
            patch=0,
            expected_seconds=max(0.0, expected),
            off_seconds=until,
            until_seconds=until,
        )
        moment = moment_of(heard.take, heard.levels, asked, heard.hum_hz)
        timed = timed_onset(heard.levels, asked, moment)
        heard_at = timed.onset_seconds
        if timed.blurred and (start.swells or timed.swells):
            reach = _SWELL_REACH_SECONDS if start.swells else _REACH_SECONDS
            heard_at = _seen_growing(heard, asked, reach) or heard_at
        exact.append(start.seconds - 0.01 if heard_at is None else heard_at)
    return sorted(max(0.0, second) for second in exact)


def _seen_growing(heard: HeardTake, asked: Asked, reach_seconds: float) -> float | None:
    """Return when a slow note becomes audible beneath noise or a tail, None where that is not seen.

    It is held, as far as can be told, until it is loudest.
    """
    first, end = heard.levels.block(asked.expected_seconds), heard.levels.block(asked.until_seconds)
    if end <= first:
        return None
    loudest = first + int(np.argmax(heard.course.power[first:end]))
    held = replace(asked, off_seconds=loudest * heard.course.block_seconds)
    near = beginning_of(heard.take, heard.levels, held, heard.hum_hz, reach_seconds)
    later = None if near is None else key_down_seconds(near, _NEAREST_SECONDS)
    if later is None:
        return None
    moved = replace(held, expected_seconds=asked.expected_seconds + later)
    beginning = beginning_of(heard.take, heard.levels, moved, heard.hum_hz)
    peak = note_peak(heard.levels, moved.expected_seconds, asked.until_seconds)
    seen = None if beginning is None else seen_audible(beginning, peak)
    return None if seen is None else moved.expected_seconds + seen.seconds


def _cut(heard: HeardTake, onsets: Sequence[float]) -> list[FoundNote]:
    notes = []
    for number, onset in enumerate(onsets):
        last = number + 1 == len(onsets)
        limit = heard.levels.duration_seconds if last else onsets[number + 1]
        end = note_end(heard.levels, onset, onset, limit)
        doubts = ("still rings when the next note, or the end of the take, comes",)
        note = found_note(heard.levels, onset, end.seconds, None, doubts if end.is_cut_off else ())
        notes.append(replace(note, after_plan_index=None))
    return notes


def _pitch(heard: HeardTake, note: FoundNote, pitch_of: PitchOf | None) -> HeardPitch | None:
    if pitch_of is None:
        return None
    rate = heard.take.rate_hz
    first = round((note.onset_seconds + _PITCH_SECONDS[0]) * rate)
    end = round(min(note.onset_seconds + _PITCH_SECONDS[1], note.end_seconds) * rate)
    if end - first < 0.05 * rate:
        first = round(note.onset_seconds * rate)
    samples = heard.take.read(first, end)
    return pitch_of(samples, rate) if len(samples) > np.ceil(0.02 * rate) else None
