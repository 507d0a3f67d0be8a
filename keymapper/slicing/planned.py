"""A take cut by its plan: every note found by where it must be, none named by counting."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.model.session import SessionSheet
from keymapper.slicing.alignment import Alignment, possible_alignments
from keymapper.slicing.background import hum_base_hz
from keymapper.slicing.course import Course, FloatArray, TakeAudio, course_of
from keymapper.slicing.ends import note_end
from keymapper.slicing.evidence import HeardPitch, PitchOf, likeliest, pitch_agreement
from keymapper.slicing.extras import Extra, extra_onsets
from keymapper.slicing.found import FoundNote, SlicedTake, found_note
from keymapper.slicing.levels import Levels, levels_of, power_to_db, ratio_to_db
from keymapper.slicing.novelty import Candidate, Novelty, candidates_of, novelty_of
from keymapper.slicing.presence import PRESENT_SHARE, new_share
from keymapper.slicing.timing import Asked, Timed, clock_line, settled_onsets, timed_onset

LEAST_NOVELTY = 0.08
_LINE_NOTES = 60
_PITCH_NOTES = 48
_PITCH_SECONDS = (0.08, 1.2)
_LEAST_FIT = 0.5
_SILENT_PEAK = 1e-4
_REFUSE_PITCHES = 8
_PITCH_FIT = 0.3
_LATE_SECONDS = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardTake:
    """A take streamed once, with all that the later steps ask of it."""

    take: TakeAudio
    levels: Levels
    novelty: Novelty
    candidates: tuple[Candidate, ...]
    hum_hz: float | None

    @property
    def course(self) -> Course:
        """Return the course the levels are taken from."""
        return self.levels.course


def hear_take(take: TakeAudio, progress: Callable[[float], None] | None = None) -> HeardTake:
    """Stream a take once.

    progress : called with the share done, 0..1.

    Raises MeasurementError for a take shorter than 0.1 s or without any sound.
    """
    course = course_of(take, progress)
    if len(course.power) < 100:
        raise MeasurementError("the take is shorter than 0.1 s; there is nothing to cut.")
    peak_dbfs = ratio_to_db(float(course.peak.max()))
    if course.peak.max() < _SILENT_PEAK:
        raise MeasurementError(
            f"the take is silent (its peak is {peak_dbfs:.0f} dBFS); check what was recorded."
        )
    levels = levels_of(course)
    novelty = novelty_of(course)
    first = round(levels.noise_seconds * take.rate_hz)
    quiet = take.read(first, first + round(0.1 * take.rate_hz)).astype(np.float64)
    return HeardTake(
        take=take,
        levels=levels,
        novelty=novelty,
        candidates=candidates_of(novelty, LEAST_NOVELTY),
        hum_hz=hum_base_hz(quiet, take.rate_hz),
    )


def slice_by_plan(
    heard: HeardTake, sheet: SessionSheet, pitch_of: PitchOf | None = None
) -> SlicedTake:
    """Return the notes of a take that was recorded from a plan.

    pitch_of : settles where the take lies when the plan's timing repeats itself, and tells another
    session from this one.

    Raises MeasurementError, with the evidence, where the plan does not fit the take.
    """
    plan = np.array([note.on_seconds for note in sheet.notes])
    alignment, remarks = _placed(heard, sheet, plan, pitch_of)
    asked = _asked(heard, sheet, plan, alignment.latency_seconds, alignment.drift)
    probes = _probes(heard, asked, alignment)
    timed = [timed_onset(heard.take, heard.levels, one, heard.hum_hz) for one in probes]
    seconds = plan[[one.plan_index for one in probes]]
    latency, drift = clock_line(
        timed, seconds, alignment.latency_seconds, alignment.drift, heard.levels
    )
    asked = _asked(heard, sheet, plan, latency, drift)
    played = [one for one in asked if _is_present(heard, one)]
    present = {one.plan_index for one in played}
    notes = _timed_notes(heard, played)
    extras = extra_onsets(heard.course, heard.novelty, heard.candidates, notes)
    heard_count = len(notes) + len(extras)
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
        remarks=remarks,
    )


def _placed(
    heard: HeardTake, sheet: SessionSheet, plan: FloatArray, pitch_of: PitchOf | None
) -> tuple[Alignment, tuple[str, ...]]:
    onsets = np.array([candidate.seconds for candidate in heard.candidates])
    strengths = np.array([candidate.strength for candidate in heard.candidates])
    places = possible_alignments(plan, onsets, strengths)
    if not places:
        raise MeasurementError("no note begins in the take; check what was recorded.")
    pitches = _pitches(heard, places[0], pitch_of)
    loudness = np.array([ratio_to_db(heard.levels.peak(second, second + 0.3)) for second in onsets])
    place, is_choice = likeliest(places, sheet.notes, pitches, loudness)
    agreement = pitch_agreement(place, sheet.notes, pitches)
    foreign = agreement.sure >= _REFUSE_PITCHES and agreement.distinct_keys >= 3
    if foreign and agreement.agreeing < _PITCH_FIT * agreement.sure:
        raise MeasurementError(
            f"the plan does not fit the take: {len(place.notes)} onsets lie where it has notes, but "
            f"only {agreement.agreeing} of {agreement.sure} have the planned key; is this the "
            "session sheet of another session?"
        )
    remarks: tuple[str, ...] = ()
    if is_choice:
        remarks = ("the timing fits the plan in several places; the earliest was taken",)
    if agreement.agreeing > 3 and agreement.shift:
        remarks += (f"sounds {agreement.shift:+d} semitones from the planned keys",)
    return place, remarks


def _pitches(heard: HeardTake, place: Alignment, pitch_of: PitchOf | None) -> dict[int, HeardPitch]:
    """Measure some of the matched onsets, spread over the take; by onset index."""
    if pitch_of is None:
        return {}
    rate = heard.take.rate_hz
    chosen = place.onsets[_spread(len(place.onsets), _PITCH_NOTES)]
    found = {}
    for index in chosen:
        start = heard.candidates[int(index)].seconds
        later = [c.seconds for c in heard.candidates[int(index) + 1 :] if c.strength > 0.3]
        end = min([start + _PITCH_SECONDS[1], *later[:1]])
        samples = heard.take.read(round((start + _PITCH_SECONDS[0]) * rate), round(end * rate))
        pitch = pitch_of(samples, rate) if len(samples) > 0.05 * rate else None
        if pitch is not None:
            found[int(index)] = pitch
    return found


def _spread(count: int, most: int) -> FloatArray:
    """Return at most so many indexes, evenly spread over range(count)."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(int))


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


def _probes(heard: HeardTake, asked: Sequence[Asked], alignment: Alignment) -> list[Asked]:
    """Return the notes, spread over the take, that the clock line is drawn through first."""
    matched = {int(index) for index in alignment.notes}
    sure = [one for one in asked if one.plan_index in matched and _is_present(heard, one)]
    return [sure[index] for index in _spread(len(sure), _LINE_NOTES)] if sure else []


def _is_present(heard: HeardTake, asked: Asked) -> bool:
    hop = heard.novelty.hop_seconds
    first = max(0, round((asked.expected_seconds - 0.03) / hop))
    nearby = heard.novelty.share[first : round((asked.expected_seconds + 0.06) / hop) + 1]
    share = new_share(
        heard.course,
        heard.novelty,
        asked.expected_seconds,
        min(asked.off_seconds, asked.until_seconds),
    )
    return max(share, float(nearby.max(initial=0.0))) >= PRESENT_SHARE


def _timed_notes(heard: HeardTake, played: Sequence[Asked]) -> list[Timed]:
    timed = [timed_onset(heard.take, heard.levels, one, heard.hum_hz) for one in played]
    settled: list[Timed] = []
    for patch in sorted({note.asked.patch for note in timed}):
        settled += settled_onsets([n for n in timed if n.asked.patch == patch], heard.levels)
    return sorted(settled, key=lambda note: note.asked.plan_index)


def _refuse_if_foreign(matched: int, planned: int, heard: int, latency: float) -> None:
    if 2 * matched < _LEAST_FIT * (planned + heard):
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
    cut = []
    for note in notes:
        cut.append(_cut_planned(heard.levels, note, starts))
    for extra in extras:
        limit = _next_start(starts, extra.seconds, heard.levels.duration_seconds)
        end = note_end(heard.levels, extra.seconds, extra.seconds, limit)
        found = found_note(heard.levels, extra.seconds, end.seconds, None, ("not in the plan",))
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
