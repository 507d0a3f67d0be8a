"""A take cut without a plan: notes found by their sound against the measured noise floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.slicing.alike import Colour, colour_of
from keymapper.slicing.ends import note_end
from keymapper.slicing.evidence import HeardPitch, PitchOf
from keymapper.slicing.exact_starts import exact_starts
from keymapper.slicing.found import RINGS_ON, FoundNote, SlicedTake, found_note
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.levels import power_to_db
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.starts import note_starts

_LEAST_SNR_DB = 5.0
_PITCH_SECONDS = (0.08, 1.2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnplannedTake:
    """All notes of a take recorded without a plan."""

    sliced: SlicedTake
    pitches: tuple[HeardPitch | None, ...]
    """One a note of `sliced`."""
    colours: tuple[Colour, ...]
    """The same."""


def slice_unplanned(heard: HeardTake, pitch_of: PitchOf | None = None) -> UnplannedTake:
    """Return the notes of a take without a plan.

    Raises MeasurementError where no note is heard.
    """
    starts = note_starts(heard)
    if not starts:
        raise MeasurementError("no note begins in the take; check what was recorded.")
    onsets = exact_starts(heard, starts)
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
    pitches = side_by_side(lambda note: _pitch(heard, note, pitch_of), notes)
    return UnplannedTake(
        sliced=sliced,
        pitches=tuple(pitches),
        colours=tuple(colour_of(heard, note) for note in notes),
    )


def _cut(heard: HeardTake, onsets: Sequence[float]) -> list[FoundNote]:
    notes = []
    for number, onset in enumerate(onsets):
        last = number + 1 == len(onsets)
        limit = heard.levels.duration_seconds if last else onsets[number + 1]
        end = note_end(heard.levels, onset, onset, limit)
        doubts = (RINGS_ON,) if end.is_cut_off else ()
        note = found_note(heard.levels, onset, end.seconds, None, doubts)
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
