"""A take cut by its plan: every note found by where it must be, none named by counting."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.model.session import SessionSheet
from keymapper.slicing.alignment import fitted_line
from keymapper.slicing.beginning import beginning_of
from keymapper.slicing.by_order import slice_by_order
from keymapper.slicing.course import FloatArray
from keymapper.slicing.curving import curved_line
from keymapper.slicing.ends import note_end
from keymapper.slicing.evidence import NEARLY_ALL, PitchOf
from keymapper.slicing.extras import Extra, extra_onsets
from keymapper.slicing.found import FoundNote, SlicedTake, found_note
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.hidden import has_new_partials, sounds_on_while_held
from keymapper.slicing.levels import Levels, power_to_db
from keymapper.slicing.note_times import timed_again, timed_notes
from keymapper.slicing.onset import GUARD_SECONDS
from keymapper.slicing.placing import Placed, placed_take, spread
from keymapper.slicing.presence import PRESENT_SHARE, new_share
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.struck_again import struck_again
from keymapper.slicing.swelling import key_down_seconds
from keymapper.slicing.timing import (
    OUT_OF_SILENCE,
    Asked,
    Timed,
    as_first_heard,
    clock_line,
    is_slow,
    settled_onsets,
    swell_line,
)

_LINE_NOTES, _ROUGH_LINE_NOTES = 40, 20
_ROUGH_REACH_SECONDS = 0.3
_FEW_NOTES = 9
_LEAST_GROWN = 3
"""Notes whose growing is seen, for a line through them."""
_MOST_MOVES = 6
_BEGUN_BEFORE_SECONDS = 0.12
_HEARD_BEFORE_SECONDS, _MOST_SHARE = 0.002, 0.8
_LEAST_FIT = 0.5
_GOOD_FIT = 0.85
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
    if pitch_of is None or _fit(by_clock.onsets_matched, asked, by_clock.onsets_found) > _GOOD_FIT:
        return by_clock
    by_order = slice_by_order(heard, sheet, pitch_of)
    if by_order is None or by_order.onsets_matched <= by_clock.onsets_matched:
        return by_clock
    return by_order


def _by_clock(
    heard: HeardTake, sheet: SessionSheet, pitch_of: PitchOf | None, starts_seconds: float | None
) -> SlicedTake:
    plan = np.array([note.on_seconds for note in sheet.notes])
    placed = placed_take(heard, sheet, pitch_of, starts_seconds)
    latency, drift = _line(heard, sheet, plan, placed)
    asked = _asked(heard, sheet, plan, latency, drift)
    struck = [c.seconds - 0.02 for c in heard.candidates if c.strength >= _OTHER_STRENGTH]
    played = [one for one in asked if _is_present(heard, one, struck)]
    present = {one.plan_index for one in played}
    notes = _settled_notes(heard, played)
    extras = _extras(heard, notes)
    heard_count = max(len(notes) + len(extras), len(struck))
    if not (placed.is_sure and len(notes) >= NEARLY_ALL * len(asked)):
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

    Swelling notes are heard late and each by another time: the line of those is drawn through the
    moments their keys went down, as far as their growing shows them.
    """
    matched = {int(index) for index in placed.alignment.notes}

    def probes(count: int) -> tuple[list[Asked], FloatArray]:
        asked = _asked(heard, sheet, plan, latency, drift)
        sure = [one for one in asked if one.plan_index in matched]
        chosen = [sure[index] for index in spread(len(sure), count)]
        return chosen, plan[[one.plan_index for one in chosen]]

    latency, drift = placed.alignment.latency_seconds, placed.alignment.drift
    if placed.by_swells:
        latency, drift = _rough_line(heard, *probes(_ROUGH_LINE_NOTES), latency, drift)
    for _ in range(_MOST_MOVES):
        begun = _begun_before_seconds(heard, probes(_ROUGH_LINE_NOTES)[0])
        if begun <= GUARD_SECONDS:
            break
        latency -= begun
    for _ in range(2 if placed.by_swells else 1):
        asked, seconds = probes(_LINE_NOTES)
        timed = timed_notes(heard, asked)
        if not (is_slow(timed) and (placed.by_swells or _are_slow_beneath(heard, timed))):
            timed = timed_again(heard, timed)
        timed, seconds = _of_quick_patches(timed, seconds)
        if is_slow(timed):
            break
        latency, drift = clock_line(timed, seconds, latency, drift, heard.levels)
    else:
        return latency, drift
    if not placed.by_swells:
        latency, drift = _rough_line(heard, *probes(_ROUGH_LINE_NOTES), latency, drift)
    line = _key_down_line(heard, *probes(_LINE_NOTES), latency, drift, GUARD_SECONDS)
    latency, drift = line or clock_line(timed, seconds, latency, drift, heard.levels)
    latency, drift = curved_line(heard, *probes(_LINE_NOTES), latency, drift)
    for _ in range(_MOST_MOVES):
        moved = _no_later_than_heard(timed_notes(heard, probes(_LINE_NOTES)[0]), plan)
        if moved is None:
            break
        latency, drift = moved
    return latency, drift


def _are_slow_beneath(heard: HeardTake, timed: Sequence[Timed]) -> bool:
    """Say whether notes of one patch are slow beneath noise and tails too: a few of them tell."""
    if len({note.asked.patch for note in timed}) > 1:
        return False
    return is_slow(timed_again(heard, [timed[index] for index in spread(len(timed), _FEW_NOTES)]))


def _of_quick_patches(timed: list[Timed], plan: FloatArray) -> tuple[list[Timed], FloatArray]:
    """Return the notes of patches that begin at once, if any do: they tell the time exactly."""
    patches = {note.asked.patch for note in timed}
    quick = {
        patch for patch in patches if not is_slow([n for n in timed if n.asked.patch == patch])
    }
    kept = [index for index, note in enumerate(timed) if note.asked.patch in quick]
    if len(kept) < _LEAST_GROWN or quick == patches:
        return timed, plan
    return [timed[index] for index in kept], plan[kept]


def _begun_before_seconds(heard: HeardTake, asked: Sequence[Asked]) -> float:
    """Return how long before they are expected the notes of some patch begin, as far as is seen.

    Notes that grow slowly at first are lined up by the moments at which they have grown; beside
    them, those of a patch that begins at once come too early.
    """
    sooner = [
        replace(one, expected_seconds=one.expected_seconds - _BEGUN_BEFORE_SECONDS)
        for one in asked
        if one.expected_seconds > _BEGUN_BEFORE_SECONDS
    ]
    begun: dict[int, list[float]] = defaultdict(list)
    for one in timed_notes(heard, sooner):
        if one.onset_seconds is not None and one.case in OUT_OF_SILENCE:
            expected = one.asked.expected_seconds + _BEGUN_BEFORE_SECONDS
            begun[one.asked.patch].append(expected - one.onset_seconds)
    usual = [float(np.median(some)) for some in begun.values() if len(some) >= _LEAST_GROWN]
    return max(usual, default=0.0)


def _no_later_than_heard(timed: Sequence[Timed], plan: FloatArray) -> tuple[float, float] | None:
    """Return a line that is not later than most notes are heard; None where theirs is not.

    What grows along a curve looks as if its key went down late, but no note is heard before.
    """
    seen = [
        (n.asked, n.onset_seconds) for n in timed if n.onset_seconds and n.case in OUT_OF_SILENCE
    ]
    late = np.array([asked.expected_seconds - onset for asked, onset in seen])
    if len(late) < _LEAST_GROWN or np.median(late) <= _HEARD_BEFORE_SECONDS:
        return None
    planned = plan[[asked.plan_index for asked, _ in seen]]
    moments = np.array([onset for _, onset in seen])
    latency, drift = fitted_line(planned, moments, np.ones(len(seen)), float(moments[0]), 0.0)
    rest = latency + (1 + drift) * planned - moments
    return latency - max(0.0, float(np.quantile(rest, _MOST_SHARE))), drift


def _rough_line(
    heard: HeardTake, asked: Sequence[Asked], plan: FloatArray, latency: float, drift: float
) -> tuple[float, float]:
    """Return a line of slow notes from one that may be off by some tenths of a second."""
    line = _key_down_line(heard, asked, plan, latency, drift, _ROUGH_REACH_SECONDS)
    return line or swell_line(asked, plan, latency, drift, heard.levels)


def _key_down_line(
    heard: HeardTake,
    asked: Sequence[Asked],
    plan: FloatArray,
    latency: float,
    drift: float,
    reach_seconds: float,
) -> tuple[float, float] | None:
    """Return the line through the key-downs of slow notes; None where too few of them are seen.

    plan : seconds of the plan, one a note. reach_seconds : how far the line so far may be off.
    """
    nearest = reach_seconds / 15
    later = side_by_side(
        lambda one: None if one is None else key_down_seconds(one, nearest),
        (beginning_of(heard.take, heard.levels, a, heard.hum_hz, reach_seconds) for a in asked),
    )
    seen = [
        (seconds, one.expected_seconds + late)
        for one, seconds, late in zip(asked, plan, later, strict=True)
        if late is not None
    ]
    if len(seen) < _LEAST_GROWN:
        return None
    planned, moments = np.array(seen).T
    return fitted_line(planned, moments, np.ones(len(seen)), latency, drift)


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
        timed_by_model = settled_onsets(timed_again(heard, notes), heard.levels)
        settled += as_first_heard(notes, timed_by_model)
    return sorted(settled, key=lambda note: note.asked.plan_index)


def _extras(heard: HeardTake, notes: Sequence[Timed]) -> list[Extra]:
    """Return what begins beside the planned notes: other notes, and keys struck again."""
    extras = extra_onsets(heard.course, heard.novelty, heard.candidates, notes)
    again = struck_again(heard, notes, [extra.seconds for extra in extras])
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
        doubts += ("the next onset, or the end of the take, comes while it is held",)
    elif end.is_cut_off:
        doubts += ("still rings when the next note, or the end of the take, comes",)
    return found_note(levels, onset, end.seconds, note.asked.plan_index, doubts)


def _next_start(starts: FloatArray, seconds: float, duration: float) -> float:
    later = int(np.searchsorted(starts, seconds + 1e-9, side="right"))
    return float(starts[later]) if later < len(starts) else duration
