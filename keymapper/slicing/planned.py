"""A take cut by its plan: every note found by where it must be, none named by counting."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.model.session import SessionSheet
from keymapper.slicing.alignment import fitted_line
from keymapper.slicing.by_order import slice_by_order
from keymapper.slicing.course import FloatArray
from keymapper.slicing.ends import note_end
from keymapper.slicing.evidence import PitchOf
from keymapper.slicing.extras import Extra, extra_onsets
from keymapper.slicing.found import FoundNote, SlicedTake, found_note
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.levels import Levels, power_to_db
from keymapper.slicing.onset import AUDIBLE_RATIO
from keymapper.slicing.placing import Placed, placed_take, spread
from keymapper.slicing.presence import PRESENT_SHARE, new_share
from keymapper.slicing.swelling import audible_seconds, beginning_of, key_down_seconds
from keymapper.slicing.timing import (
    Asked,
    Timed,
    clock_line,
    is_slow,
    settled_onsets,
    swell_line,
    timed_onset,
)

_LINE_NOTES = 60
_ROUGH_LINE_NOTES = 20
"""Enough for a line of slow notes that is drawn once more, through what grows."""
_MOST_ROUNDS = 8
_SETTLED_SECONDS = 0.001
"""A line that moves less than this by being drawn again is kept."""
_LEAST_GROWN = 3
"""Notes whose growing is seen, for a line through them."""
_LEAST_FIT = 0.5
_GOOD_FIT = 0.85
_LATE_SECONDS = 0.02
_LEAST_EXTRA_DB = 6.0
_OTHER_STRENGTH = 0.3
_OTHER_SECONDS = 0.1
"""From so long after its time on, an onset is not that of the planned note."""


def slice_by_plan(
    heard: HeardTake, sheet: SessionSheet, pitch_of: PitchOf | None = None
) -> SlicedTake:
    """Return the notes of a take that was recorded from a plan.

    pitch_of : settles where the take lies when the plan's timing repeats itself, tells another
    session from this one, and lines up what was played by hand.

    Raises MeasurementError, with the evidence, where the plan does not fit the take.
    """
    try:
        by_clock = _by_clock(heard, sheet, pitch_of)
    except MeasurementError:
        by_order = None if pitch_of is None else slice_by_order(heard, sheet, pitch_of)
        if by_order is None:
            raise
        return by_order
    asked = by_clock.onsets_matched + len(by_clock.missing)
    if pitch_of is None or _fit(by_clock.onsets_matched, asked, by_clock.onsets_found) > _GOOD_FIT:
        return by_clock
    by_order = slice_by_order(heard, sheet, pitch_of)
    if by_order is None or by_order.onsets_matched <= by_clock.onsets_matched:
        return by_clock
    return by_order


def _by_clock(heard: HeardTake, sheet: SessionSheet, pitch_of: PitchOf | None) -> SlicedTake:
    plan = np.array([note.on_seconds for note in sheet.notes])
    placed = placed_take(heard, sheet, pitch_of)
    latency, drift = _line(heard, sheet, plan, placed)
    asked = _asked(heard, sheet, plan, latency, drift)
    struck = [c.seconds - 0.02 for c in heard.candidates if c.strength >= _OTHER_STRENGTH]
    played = [one for one in asked if _is_present(heard, one, struck)]
    present = {one.plan_index for one in played}
    notes = _timed_notes(heard, played)
    extras = extra_onsets(heard.course, heard.novelty, heard.candidates, notes)
    heard_count = max(len(notes) + len(extras), len(struck))
    _refuse_if_foreign(len(notes), len(asked), heard_count, latency)
    inside = {one.plan_index for one in asked}
    return SlicedTake(
        latency_seconds=latency,
        drift_ppm=drift * 1e6,
        notes=_cut(heard, notes, extras),
        missing=tuple(sorted(inside - present)),
        outside=tuple(index for index in range(len(plan)) if index not in inside),
        onsets_found=heard_count,
        onsets_matched=len(notes),
        noise_floor_dbfs=power_to_db(heard.levels.noise_power),
        remarks=placed.remarks,
    )


def _asked(
    heard: HeardTake, sheet: SessionSheet, plan: FloatArray, latency: float, drift: float
) -> list[Asked]:
    """Return the planned notes whose note-on lies within the take, with the take's times."""
    duration = heard.levels.duration_seconds
    starts = latency + (1 + drift) * plan
    asked = []
    for index, note in enumerate(sheet.notes):
        if not 0.0 <= starts[index] < duration - 0.02:
            continue
        following = starts[index + 1] if index + 1 < len(starts) else duration
        off = starts[index] + (1 + drift) * (note.off_seconds - note.on_seconds)
        asked.append(
            Asked(
                plan_index=index,
                patch=note.patch,
                expected_seconds=float(starts[index]),
                off_seconds=float(min(off, duration)),
                until_seconds=float(min(following, duration)),
            )
        )
    return asked


def _line(
    heard: HeardTake, sheet: SessionSheet, plan: FloatArray, placed: Placed
) -> tuple[float, float]:
    """Return latency and drift through the exact onsets of some notes spread over the take.

    Swelling notes are heard late and each by another time, so that the line is drawn again from
    where the last one says they must have begun.
    """
    latency, drift = placed.alignment.latency_seconds, placed.alignment.drift
    matched = {int(index) for index in placed.alignment.notes}
    by_swells = placed.by_swells
    count = _ROUGH_LINE_NOTES if by_swells else _LINE_NOTES
    for _ in range(_MOST_ROUNDS):
        asked = _asked(heard, sheet, plan, latency, drift)
        sure = [one for one in asked if one.plan_index in matched]
        probes = [sure[index] for index in spread(len(sure), count)]
        seconds = plan[[one.plan_index for one in probes]]
        if by_swells:
            latency, drift = swell_line(probes, seconds, latency, drift, heard.levels)
            by_swells = False
            continue
        timed = [timed_onset(heard.take, heard.levels, one, heard.hum_hz) for one in probes]
        before = latency + drift * seconds
        latency, drift = clock_line(timed, seconds, latency, drift, heard.levels)
        moved = np.abs(latency + drift * seconds - before).max(initial=0.0)
        if is_slow(timed):
            if moved < _SETTLED_SECONDS:
                break
        elif count == _LINE_NOTES:
            return latency, drift
        else:
            count = _LINE_NOTES  # sharp after all: all of them make the line
    grown = [sure[index] for index in spread(len(sure), _LINE_NOTES)]
    return _grown_line(heard, grown, plan[[one.plan_index for one in grown]], latency, drift)


def _grown_line(
    heard: HeardTake, probes: Sequence[Asked], plan: FloatArray, latency: float, drift: float
) -> tuple[float, float]:
    """Return the line through the moments from which the partials of slow notes grow."""
    moments, planned = [], []
    for one, seconds in zip(probes, plan, strict=True):
        expected = latency + (1 + drift) * float(seconds)
        moved = replace(one, expected_seconds=expected)
        beginning = beginning_of(heard.take, heard.levels, moved, heard.hum_hz)
        later = None if beginning is None else key_down_seconds(beginning)
        if later is not None:
            moments.append(expected + later)
            planned.append(float(seconds))
    if len(moments) < _LEAST_GROWN:
        return latency, drift
    weights = np.ones(len(moments))
    return fitted_line(np.array(planned), np.array(moments), weights, latency, drift)


def _is_present(heard: HeardTake, asked: Asked, struck: Sequence[float]) -> bool:
    """Say whether something begins where a note was asked for.

    struck : sudden onsets, rising; what follows one of them is not this note.
    """
    hop = heard.novelty.hop_seconds
    first = max(0, round((asked.expected_seconds - 0.03) / hop))
    nearby = heard.novelty.share[first : round((asked.expected_seconds + 0.06) / hop) + 1]
    start = asked.expected_seconds
    later = bisect_right(struck, start + _OTHER_SECONDS)
    stop = min([asked.off_seconds, asked.until_seconds, *struck[later : later + 1]])
    share = new_share(heard.course, heard.novelty, start, stop)
    return max(share, float(nearby.max(initial=0.0))) >= PRESENT_SHARE


def _timed_notes(heard: HeardTake, played: Sequence[Asked]) -> list[Timed]:
    timed = [timed_onset(heard.take, heard.levels, one, heard.hum_hz) for one in played]
    settled: list[Timed] = []
    for patch in sorted({note.asked.patch for note in timed}):
        notes = [note for note in timed if note.asked.patch == patch]
        onsets = settled_onsets(notes, heard.levels)
        settled += [_as_grown(heard, note) for note in onsets] if is_slow(notes) else onsets
    return sorted(settled, key=lambda note: note.asked.plan_index)


def _as_grown(heard: HeardTake, note: Timed) -> Timed:
    """Return a slow note audible from when its growing partials are, where that can be seen."""
    if note.abrupt or note.case == "clear":
        return note
    expected = note.asked.expected_seconds
    beginning = beginning_of(heard.take, heard.levels, note.asked, heard.hum_hz)
    if beginning is None:
        return note
    noise = min(math.sqrt(heard.levels.noise_before(expected)), beginning.past_rms)
    later = audible_seconds(beginning, max(AUDIBLE_RATIO * note.peak, noise))
    return note if later is None else replace(note, onset_seconds=expected + later, case="grown")


def _fit(matched: int, planned: int, heard: int) -> float:
    """Return how well planned and heard notes cover each other (F measure), 0..1."""
    return 2 * matched / max(1, planned + heard)


def _refuse_if_foreign(matched: int, planned: int, heard: int, latency: float) -> None:
    if _fit(matched, planned, heard) < _LEAST_FIT:
        raise MeasurementError(
            f"the plan does not fit the take: at the best place (latency {latency:.2f} s) "
            f"{matched} of {planned} planned notes and {matched} of {heard} heard ones match; "
            "is this the session sheet of another session?"
        )


def _cut(
    heard: HeardTake, notes: Sequence[Timed], extras: Sequence[Extra]
) -> tuple[FoundNote, ...]:
    onsets = [note.onset_seconds or 0.0 for note in notes] + [extra.seconds for extra in extras]
    starts = np.array(sorted(onsets))
    cut = [_cut_planned(heard.levels, note, starts) for note in notes]
    for extra in extras:
        limit = _next_start(starts, extra.seconds, heard.levels.duration_seconds)
        end = note_end(heard.levels, extra.seconds, extra.seconds, limit)
        found = found_note(heard.levels, extra.seconds, end.seconds, None, ("not in the plan",))
        if found.signal_to_noise_db < _LEAST_EXTRA_DB:
            continue
        cut.append(
            replace(
                found,
                after_plan_index=extra.after_plan_index,
                doubles_plan_index=extra.doubles_plan_index,
            )
        )
    return tuple(sorted(cut, key=lambda note: note.onset_seconds))


def _cut_planned(levels: Levels, note: Timed, starts: FloatArray) -> FoundNote:
    onset = note.onset_seconds or 0.0
    limit = _next_start(starts, onset, levels.duration_seconds)
    end = note_end(levels, onset, note.asked.off_seconds, limit)
    doubts: tuple[str, ...] = ()
    if note.case is None:
        doubts += ("its start is hidden under the note before; the time is the plan's",)
    if abs(onset - note.asked.expected_seconds) > _LATE_SECONDS and note.abrupt:
        late_ms = 1000 * (onset - note.asked.expected_seconds)
        doubts += (f"begins {late_ms:+.0f} ms from where the plan puts it",)
    if limit < note.asked.off_seconds - 0.02:
        doubts += ("the next onset, or the end of the take, comes while it is held",)
    elif end.is_cut_off:
        doubts += ("still rings when the next note, or the end of the take, comes",)
    return found_note(levels, onset, end.seconds, note.asked.plan_index, doubts)


def _next_start(starts: FloatArray, seconds: float, duration: float) -> float:
    later = int(np.searchsorted(starts, seconds + 1e-9, side="right"))
    return float(starts[later]) if later < len(starts) else duration
