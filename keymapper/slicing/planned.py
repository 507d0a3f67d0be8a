"""A take cut by its plan: every note found by where it must be, none named by counting."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.model.session import SessionSheet
from keymapper.slicing.by_order import slice_by_order
from keymapper.slicing.clock import asked_notes, take_line
from keymapper.slicing.course import FloatArray
from keymapper.slicing.ends import note_end
from keymapper.slicing.evidence import NEARLY_ALL, PitchOf
from keymapper.slicing.extras import Extra, beating_notes, extra_onsets
from keymapper.slicing.found import HELD_ON, RINGS_ON, FoundNote, SlicedTake, found_note
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.hidden import has_new_partials, sounds_on_while_held
from keymapper.slicing.levels import Levels, power_to_db
from keymapper.slicing.note_times import timed_again, timed_notes
from keymapper.slicing.placing import placed_take
from keymapper.slicing.presence import PRESENT_SHARE, new_share
from keymapper.slicing.settling import as_first_heard, keep_time, settled_onsets
from keymapper.slicing.struck_again import struck_again
from keymapper.slicing.struck_by_hand import as_struck
from keymapper.slicing.timing import Asked, Timed

_LEAST_FIT, _LEAST_UNTOLD_FIT = 0.5, 0.8
"""Swells of noise lie so well in any plan that neither pitch nor exact timing speaks for."""
_GOOD_FIT = 0.85
_CLEARLY_MORE = 1.2
"""Among a few accidents, the order of keys explains a note or two more, but others than played."""
_BY_HAND = "played by hand to the clock: notes were looked for where they were struck"
_LATE_SECONDS = 0.02
_LEAST_EXTRA_DB = 6.0
_OTHER_STRENGTH = 0.3
_OTHER_SECONDS = 0.1
"""From so long after its time on, an onset is not that of the planned note."""


def slice_by_plan(
    heard: HeardTake,
    sheet: SessionSheet,
    pitch_of: PitchOf | None = None,
    starts_seconds: float | None = None,
) -> SlicedTake:
    """Return the notes of a take that was recorded from a plan.

    pitch_of : settles where the take lies when the plan's timing repeats itself, tells another
    session from this one, and lines up what was played by hand.
    starts_seconds : where about the first planned note begins in the take, where somebody knows:
    that settles the place too, and that keys do not sound at their pitches.

    Raises MeasurementError, with the evidence, where the plan does not fit the take.
    """
    try:
        by_clock = _by_clock(heard, sheet, pitch_of, starts_seconds)
    except MeasurementError:
        if pitch_of is None or starts_seconds is not None:
            raise
        by_order = slice_by_order(heard, sheet, pitch_of)
        if by_order is None:
            raise
        return by_order
    asked = by_clock.onsets_matched + len(by_clock.missing)
    is_by_hand = _BY_HAND in by_clock.remarks
    fits = _fit(by_clock.onsets_matched, asked, by_clock.onsets_found) > _GOOD_FIT
    if pitch_of is None or (fits and not is_by_hand):
        return by_clock
    by_order = slice_by_order(heard, sheet, pitch_of)
    needed = (1.0 if is_by_hand else _CLEARLY_MORE) * by_clock.onsets_matched
    return by_clock if by_order is None or by_order.onsets_matched < needed else by_order


def _by_clock(
    heard: HeardTake, sheet: SessionSheet, pitch_of: PitchOf | None, starts_seconds: float | None
) -> SlicedTake:
    plan = np.array([note.on_seconds for note in sheet.notes])
    placed = placed_take(heard, sheet, pitch_of, starts_seconds)
    latency, drift = take_line(heard, sheet, plan, placed)
    due = asked_notes(heard, sheet, plan, latency, drift)
    asked = as_struck(heard, due)
    struck = [c.seconds - 0.02 for c in heard.candidates if c.strength >= _OTHER_STRENGTH]
    played = [one for one in asked if _is_present(heard, one, struck)]
    present = {one.plan_index for one in played}
    notes = _settled_notes(heard, played)
    extras = _extras(heard, notes)
    heard_count = max(len(notes) + len(extras), len(struck))
    if not (placed.is_sure and len(notes) >= NEARLY_ALL * len(asked)):
        # Strikes near its notes are found in any plan; where nothing else speaks for this one, only
        # those in time count.
        is_by_chance = asked != due and pitch_of is not None and not placed.is_told
        in_time = sum(one == other for one, other in zip(asked, due, strict=True))
        matched = min(in_time, len(notes)) if is_by_chance else len(notes)
        refuse_if_foreign(matched, len(asked), heard_count, latency, is_told=placed.is_told)
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
        remarks=placed.remarks + (() if asked == due else (_BY_HAND,)),
    )


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
    is_plain = max(share, float(nearby.max(initial=0.0))) >= PRESENT_SHARE
    if is_plain or has_new_partials(heard, start, stop):
        return True
    is_alone = stop == asked.off_seconds
    return is_alone and sounds_on_while_held(heard, start, stop, asked.until_seconds)


def _settled_notes(heard: HeardTake, played: Sequence[Asked]) -> list[Timed]:
    timed = timed_notes(heard, played)
    settled: list[Timed] = []
    for patch in sorted({note.asked.patch for note in timed}):
        notes = [note for note in timed if note.asked.patch == patch]
        seen = notes if keep_time(notes) else timed_again(heard, notes)
        settled += as_first_heard(notes, settled_onsets(notes, seen, heard.levels))
    return sorted(settled, key=lambda note: note.asked.plan_index)


def _extras(heard: HeardTake, notes: Sequence[Timed]) -> list[Extra]:
    """Return what begins beside the planned notes: other notes, and keys struck again."""
    extras = extra_onsets(heard.course, heard.novelty, heard.candidates, notes)
    beating = beating_notes(extras)
    extras = [extra for extra in extras if extra.doubles_plan_index not in beating]
    calm = [note for note in notes if note.asked.plan_index not in beating]
    again = struck_again(heard, calm, [extra.seconds for extra in extras])
    extras += [
        Extra(
            seconds=seconds,
            after_plan_index=note.asked.plan_index,
            doubles_plan_index=note.asked.plan_index,
        )
        for note, seconds in again
    ]
    return sorted(extras, key=lambda extra: extra.seconds)


def _fit(matched: int, planned: int, heard: int) -> float:
    """Return how well planned and heard notes cover each other (F measure), 0..1."""
    return 2 * matched / max(1, planned + heard)


def refuse_if_foreign(
    matched: int, planned: int, heard: int, latency: float, *, is_told: bool
) -> None:
    """Raise MeasurementError where so many matches do not make a take that of its plan.

    is_told : pitch or exact timing speaks for it. Where all planned notes are there, that does.
    """
    is_likely = is_told or matched == planned
    if _fit(matched, planned, heard) < (_LEAST_FIT if is_likely else _LEAST_UNTOLD_FIT):
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
        doubled = extra.doubles_plan_index
        doubt = "not in the plan"
        if doubled is not None:
            doubt += f": begins while note {doubled} is held"
        found = found_note(heard.levels, extra.seconds, end.seconds, None, (doubt,))
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
    late_seconds = onset - note.asked.expected_seconds
    if abs(late_seconds) > _LATE_SECONDS and note.abrupt:
        doubts += (f"begins {1000 * late_seconds:+.0f} ms from where the plan puts it",)
    if limit < note.asked.off_seconds - 0.02:
        doubts += (HELD_ON,)
    elif end.is_cut_off:
        doubts += (RINGS_ON,)
    found = found_note(levels, onset, end.seconds, note.asked.plan_index, doubts)
    return replace(found, note_off_seconds=note.asked.off_seconds)


def _next_start(starts: FloatArray, seconds: float, duration: float) -> float:
    later = int(np.searchsorted(starts, seconds + 1e-9, side="right"))
    return float(starts[later]) if later < len(starts) else duration
