"""A take cut without a plan: notes found by their sound against the measured noise floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.slicing.attack import key_down_of
from keymapper.slicing.course import FloatArray
from keymapper.slicing.ends import note_end
from keymapper.slicing.evidence import HeardPitch, PitchOf
from keymapper.slicing.found import FoundNote, SlicedTake, found_note
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.levels import power_to_db
from keymapper.slicing.novelty import Candidate, swells_of
from keymapper.slicing.restrike import burst_ratio, is_quiet_before, long_new_share
from keymapper.slicing.timing import Asked, timed_onset

_LEAST_SWELL = 0.25
_SUDDEN_STRENGTH = 0.3
_UNMISTAKABLE_STRENGTH = 0.42
"""Beating and swelling sounds stay below 0.35."""
_FROM_QUIET_STRENGTH = 0.12
_LEAST_NEW_SHARE = 0.2
_LEAST_BURST = 4.0
_LEAST_SOFT_BURST = 8.0
_DIP_HOPS = 4
_SOUNDING_RATIO = 3e-4
_SUNK_RATIO = 0.06
_SUNK_BANDS = 0.9
_REGROWTH_RATIO = 10.0
_APART_SECONDS = 0.06
_SWELL_APART_SECONDS = 0.4
_SINK_RATIO = 0.5
_SWELL_REACH_SECONDS = 0.25
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
    sudden = _starts(heard)
    swells = _swelling(heard, swells_of(heard.course, heard.novelty, _LEAST_SWELL), sudden)
    if not sudden and not swells:
        raise MeasurementError("no note begins in the take; check what was recorded.")
    onsets = _exact(heard, sorted([*sudden, *swells]), swells)
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


def _starts(heard: HeardTake) -> list[float]:
    """Return roughly when notes begin, in order."""
    starts: list[float] = []
    for candidate in heard.candidates:
        if _begins_a_note(heard, candidate, starts[-1] if starts else None):
            starts.append(candidate.seconds)
    return starts


def _begins_a_note(heard: HeardTake, candidate: Candidate, last: float | None) -> bool:
    seconds = candidate.seconds
    if last is not None and seconds - last < _APART_SECONDS:
        return False
    if candidate.strength >= _FROM_QUIET_STRENGTH and is_quiet_before(heard.levels, seconds):
        return True
    if candidate.strength < _FROM_QUIET_STRENGTH:
        return False
    is_sudden = candidate.strength >= _SUDDEN_STRENGTH
    if is_sudden and (last is None or _has_sunk(heard, last, seconds)):
        if candidate.strength >= _UNMISTAKABLE_STRENGTH:
            return True
        if long_new_share(heard.course, heard.novelty, seconds) >= _LEAST_NEW_SHARE:
            return True
    least = _LEAST_BURST if is_sudden else _LEAST_SOFT_BURST
    return burst_ratio(heard.take, heard.levels, seconds) >= least


def _has_sunk(heard: HeardTake, since: float, seconds: float) -> bool:
    """Say whether the level has fallen from its highest since a note began."""
    power = heard.levels.smooth_power(since, seconds - 0.01, 20)
    return not len(power) or float(power[-1]) < _SINK_RATIO * float(power.max())


def _swelling(
    heard: HeardTake, swells: Sequence[Candidate], starts: Sequence[float]
) -> list[float]:
    """Return the slow swells that no sudden onset accounts for.

    They grow out of the noise floor, or out of a tail that has sunk by 18 dB; a beat seldom sinks
    so far with all of its partials at once.
    """
    found: list[float] = []
    for swell in swells:
        near = [*starts, *found]
        if any(abs(swell.seconds - start) < _SWELL_APART_SECONDS for start in near):
            continue
        last = max((start for start in near if start < swell.seconds), default=0.0)
        if is_quiet_before(heard.levels, swell.seconds - 0.05) or _regrows(heard, last, swell):
            found.append(swell.seconds)
    return found


def _regrows(heard: HeardTake, last: float, swell: Candidate) -> bool:
    """Say whether every sounding band had sunk by 12 dB before the swell, and then grows anew."""
    hop = heard.novelty.hop_seconds
    first, at = round(last / hop), round(swell.seconds / hop)
    before = _band_power(heard, first, at)
    dip = _band_power(heard, at - _DIP_HOPS, at + _DIP_HOPS)
    after = _band_power(heard, at, at + round(2.0 / hop))
    if len(before) <= _DIP_HOPS or len(dip) < 2 * _DIP_HOPS:
        return False
    highest = before.max(axis=0)
    floor = 30 * heard.novelty.noise_power
    sounding = (highest > floor) & (highest > _SOUNDING_RATIO * highest.max())
    sunk = dip.mean(axis=0)[sounding] < _SUNK_RATIO * highest[sounding]
    regrown = after.max(axis=0).sum() > _REGROWTH_RATIO * dip.mean(axis=0).sum()
    return bool(sounding.any() and sunk.mean() >= _SUNK_BANDS and regrown)


def _band_power(heard: HeardTake, first: int, end: int) -> FloatArray:
    bands = heard.course.bands_db[max(0, first) : max(0, end)].astype(np.float32)
    return np.asarray(10 ** (bands / 10))


def _exact(heard: HeardTake, starts: Sequence[float], swells: Sequence[float]) -> list[float]:
    duration = heard.levels.duration_seconds
    slow = {number for number, start in enumerate(starts) if start in swells}
    exact = []
    for number, start in enumerate(starts):
        until = starts[number + 1] if number + 1 < len(starts) else duration
        if number in slow:
            swell = key_down_of(heard.levels, start - 0.05, until, _SWELL_REACH_SECONDS)
            start = start if swell is None else swell.key_down_seconds + 0.02
        asked = Asked(
            plan_index=number,
            patch=0,
            expected_seconds=max(0.0, start - 0.006),
            off_seconds=until,
            until_seconds=until,
        )
        timed = timed_onset(heard.take, heard.levels, asked, heard.hum_hz)
        exact.append(start - 0.01 if timed.onset_seconds is None else timed.onset_seconds)
    return sorted(max(0.0, second) for second in exact)


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
