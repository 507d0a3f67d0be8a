"""The line from a plan's clock to that of its take: latency and drift, from exact onsets."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.model.session import SessionSheet
from keymapper.slicing.alignment import fitted_line
from keymapper.slicing.beginning import beginning_of
from keymapper.slicing.course import FloatArray
from keymapper.slicing.curving import curved_line
from keymapper.slicing.delays import delays_of
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.note_times import timed_again, timed_notes
from keymapper.slicing.onset import GUARD_SECONDS
from keymapper.slicing.placing import Placed, spread
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.swelling import key_down_seconds
from keymapper.slicing.timing import OUT_OF_SILENCE, Asked, Timed, clock_line, is_slow, swell_line

_LINE_NOTES, _ROUGH_LINE_NOTES = 40, 20
_ROUGH_REACH_SECONDS = 0.3
_FEW_NOTES = 9
_LEAST_GROWN = 3
"""Notes whose growing is seen, for a line through them."""
_LEAST_ALONE = 4
"""Notes heard by themselves that mend the drift; else those under tails are asked, too."""
_MOST_MOVES = 6
_BEGUN_BEFORE_SECONDS = 0.12
_HEARD_BEFORE_SECONDS, _MOST_SHARE = 0.002, 0.8
_LONGEST_SWELL_SECONDS = 2.0
_QUIET_BLOCKS, _QUIET_RATIO = 50, 1.5
"""Over so many blocks, power up to so many times the noise is but that."""


def asked_notes(
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
                key=note.key,
                expected_seconds=float(starts[index]),
                off_seconds=float(min(off, duration)),
                until_seconds=float(min(following, duration)),
            )
        )
    return asked


def take_line(
    heard: HeardTake, sheet: SessionSheet, plan: FloatArray, placed: Placed
) -> tuple[float, float]:
    """Return latency and drift through the exact onsets of some notes spread over the take.

    The drift of the line through key-downs is mended by what notes of one key tell that are heard
    now and later (see `delays`).
    """
    latency, drift = _line_of_key_downs(heard, sheet, plan, placed)
    asked, _ = _probes(heard, sheet, plan, placed, (latency, drift), _LINE_NOTES)
    timed = timed_notes(heard, asked)
    alone = [note for note in timed if note.case in OUT_OF_SILENCE]
    delays = delays_of(alone if len(alone) >= _LEAST_ALONE else timed, drift)
    if delays is None:
        return latency, drift
    latency += delays.drift * (latency - delays.middle_seconds)
    return latency, (1 + drift) * (1 + delays.drift) - 1


def _probes(
    heard: HeardTake,
    sheet: SessionSheet,
    plan: FloatArray,
    placed: Placed,
    line: tuple[float, float],
    count: int,
) -> tuple[list[Asked], FloatArray]:
    """Return so many of the notes that were matched, spread over the take, and their note-ons."""
    matched = {int(index) for index in placed.alignment.notes}
    asked = asked_notes(heard, sheet, plan, *line)
    sure = [one for one in asked if one.plan_index in matched]
    chosen = [sure[index] for index in spread(len(sure), count)]
    return chosen, plan[[one.plan_index for one in chosen]]


def _line_of_key_downs(
    heard: HeardTake, sheet: SessionSheet, plan: FloatArray, placed: Placed
) -> tuple[float, float]:
    """Return latency and drift of the line through the moments at which keys went down.

    Swelling notes are heard late and each by another time: the line of those is drawn through the
    moments their keys went down, as far as their growing shows them.
    """

    def probes(count: int) -> tuple[list[Asked], FloatArray]:
        return _probes(heard, sheet, plan, placed, (latency, drift), count)

    latency, drift = placed.alignment.latency_seconds, placed.alignment.drift
    if placed.by_swells:
        every = asked_notes(heard, sheet, plan, latency, drift)
        swollen = swollen_seconds(heard, probes(_ROUGH_LINE_NOTES)[0], every)
        latency -= swollen if swollen > _ROUGH_REACH_SECONDS else 0.0
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


def swollen_seconds(heard: HeardTake, asked: Sequence[Asked], every: Sequence[Asked]) -> float:
    """Return for how long most notes have stood out of the noise when they are expected.

    What swells for long stands out of it long before it is told from what sounds around it; what
    stands out since the note before is that one.

    every : note in the take.
    """
    levels, since = heard.levels, []
    note_before = {one.plan_index + 1: one.expected_seconds for one in every}
    for one in asked:
        earliest = note_before.get(one.plan_index, 0.0)
        first = max(earliest, one.expected_seconds - _LONGEST_SWELL_SECONDS)
        power = levels.smooth_power(first, one.expected_seconds, _QUIET_BLOCKS)
        quiet = np.flatnonzero(power <= _QUIET_RATIO * levels.noise_power)
        if len(quiet):
            since.append((len(power) - int(quiet[-1])) * levels.course.block_seconds)
    return float(np.quantile(since, _MOST_SHARE)) if since else 0.0


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
