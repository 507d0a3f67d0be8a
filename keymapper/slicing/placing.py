"""Where a take lies in its plan: by the timing of its onsets, then by pitch and level."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.errors import MeasurementError
from keymapper.model.session import SessionSheet
from keymapper.slicing.alignment import (
    SUDDEN_WINDOWS,
    SWELL_WINDOWS,
    Alignment,
    possible_alignments,
)
from keymapper.slicing.course import FloatArray
from keymapper.slicing.ends import note_end
from keymapper.slicing.evidence import (
    NEARLY_ALL,
    HeardPitch,
    PitchAgreement,
    PitchOf,
    is_beyond_chance,
    likeliest,
    nearly_all_in_time,
    no_echoes,
    pitch_agreement,
)
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.levels import ratio_to_db
from keymapper.slicing.novelty import Candidate, swells_of
from keymapper.slicing.side_by_side import side_by_side

_LEAST_SWELL = 0.15
_GOOD_FIT = 0.6
_VERY_GOOD_FIT = 0.85
_SURE_STRENGTH = 0.3
_PITCH_NOTES, _OTHER_PITCH_NOTES = 48, 12
_PITCH_SECONDS = (0.08, 1.2)
_REFUSE_PITCHES = 8
_EXACT_PITCH_FIT = 0.3
_PITCH_FIT = 0.5
_TOLD_WITHIN_SECONDS = 0.5
"""Of where a person says that the first note begins."""
_TELLING_SHARE = 0.7
"""Of the planned notes; with their pitches they tell the place, though soft ones be hidden."""
_MOST_NAMED = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """The chosen alignment, and what is to be said about the choice."""

    alignment: Alignment
    by_swells: bool
    """Its onsets are slow swells, known to a tenth of a second only."""
    is_sure: bool
    """Most notes match in pitch, or nearly all beyond chance, whatever else sounds."""
    is_told: bool
    """Noise, or whatever else is no take of the plan, does not agree so well in pitch or time."""
    remarks: tuple[str, ...]


def placed_take(
    heard: HeardTake,
    sheet: SessionSheet,
    pitch_of: PitchOf | None,
    starts_seconds: float | None = None,
) -> Placed:
    """Return where the take lies in its plan.

    Sudden onsets are tried first; where they do not fit the plan, slow swells are.

    starts_seconds : where about the first planned note begins in the take, where that is known.

    Raises MeasurementError where no note is heard, or the pitches are those of another session.
    """
    plan = np.array([note.on_seconds for note in sheet.notes])
    candidates, places, by_swells = _possible_places(heard, plan)
    if not places:
        raise MeasurementError("no note begins in the take; check what was recorded.")
    levels = np.array(
        [ratio_to_db(heard.levels.peak(c.seconds, c.seconds + 0.3)) for c in candidates]
    )
    places = no_echoes(places, levels)
    if starts_seconds is not None:
        places = _starting_at(starts_seconds, places, plan)
    pitches = _pitches(heard, candidates, places, pitch_of)
    place, is_choice = likeliest(places, sheet.notes, pitches, levels)
    agreement = pitch_agreement(place, sheet.notes, pitches)
    is_in_time = _is_in_time(place, plan, candidates)
    matched_share = len(place.notes) / max(1, _inside(place, plan, heard))
    fits_well = _fit(place, plan, candidates, heard) >= _VERY_GOOD_FIT
    fits_nowhere_else = is_in_time and (len(places) == 1 or _is_whole(place, plan, candidates))
    is_told = starts_seconds is not None and is_in_time and agreement.is_constant
    may_be_drums = fits_nowhere_else and (agreement.are_drums or agreement.is_half_scale)
    is_other_scale = (is_told and not _has_planned_keys(agreement)) or (
        fits_well and (agreement.is_other_scale or may_be_drums)
    )
    if not is_other_scale:
        _refuse_other_keys(place, agreement)
    return Placed(
        alignment=place,
        by_swells=by_swells,
        is_sure=(agreement.is_telling and matched_share >= _TELLING_SHARE)
        or (is_in_time and matched_share >= NEARLY_ALL),
        is_told=agreement.is_of_the_plan or is_in_time,
        remarks=tuple(_remarks(agreement, is_choice, is_other_scale)),
    )


def _possible_places(
    heard: HeardTake, plan: FloatArray
) -> tuple[tuple[Candidate, ...], tuple[Alignment, ...], bool]:
    """Return onsets, the places in which they fit the plan, and whether they are swells."""
    sudden = heard.candidates
    places = _places(plan, sudden, SUDDEN_WINDOWS)
    fit = _fit(places[0], plan, sudden, heard) if places else 0.0
    if places and (fit >= _GOOD_FIT or nearly_all_in_time(places[0], plan, _sure(sudden))):
        return sudden, places, False
    swells = swells_of(heard.course, heard.novelty, _LEAST_SWELL)
    slow = _places(plan, swells, SWELL_WINDOWS)
    if slow and _fit(slow[0], plan, swells, heard) > fit:
        return swells, slow, True
    return sudden, places, False


def _starting_at(
    seconds: float, places: Sequence[Alignment], plan: FloatArray
) -> tuple[Alignment, ...]:
    """Return the places whose first note begins about then."""
    starts = [float(place.take_seconds(plan[:1])[0]) for place in places]
    near = [abs(start - seconds) <= _TOLD_WITHIN_SECONDS for start in starts]
    if not any(near):
        found = ", ".join(f"{start:.1f}" for start in sorted(starts)[:_MOST_NAMED])
        raise MeasurementError(
            f"the plan does not fit the take with its first note at {seconds:g} s; "
            f"by the onsets it may begin at {found} s."
        )
    return tuple(place for place, is_near in zip(places, near, strict=True) if is_near)


def _is_in_time(place: Alignment, plan: FloatArray, candidates: Sequence[Candidate]) -> bool:
    sure = _sure(candidates)
    return nearly_all_in_time(place, plan, sure) and is_beyond_chance(place, plan, sure)


def _is_whole(place: Alignment, plan: FloatArray, candidates: Sequence[Candidate]) -> bool:
    """Say whether all planned notes have an onset, and nothing begins before or after them all.

    At equal distances, only a take without the first notes, but with as many more at its end, would
    look alike.
    """
    starts = place.take_seconds(plan)
    first = float(starts[0]) - SUDDEN_WINDOWS[0]
    last = float(starts[-1]) + float(np.diff(starts).min(initial=np.inf)) - SUDDEN_WINDOWS[0]
    others = (_sure(candidates) < first) | (_sure(candidates) > last)
    return len(place.notes) == len(plan) and not others.any()


def _sure(candidates: Sequence[Candidate]) -> FloatArray:
    """Return the seconds of the sure ones."""
    return np.array([c.seconds for c in candidates if c.strength >= _SURE_STRENGTH])


def _remarks(agreement: PitchAgreement, is_choice: bool, is_other_scale: bool) -> Iterator[str]:
    if is_choice:
        yield "the timing fits the plan in several places; the earliest was taken"
    if is_other_scale:
        yield "keys do not sound at their pitches; only the timing tells the notes apart"
        return
    if agreement.agreeing > 3 and agreement.shift:
        yield f"sounds {agreement.shift:+d} semitones from the planned keys"
    if agreement.is_doubtful:
        yield (
            f"only {agreement.agreeing} of {agreement.sure} notes have the planned key; "
            "the session sheet may be that of another session"
        )


def _inside(place: Alignment, plan: FloatArray, heard: HeardTake) -> int:
    """Return how many planned notes begin within the take."""
    starts = place.take_seconds(plan)
    return int(((starts >= 0) & (starts < heard.levels.duration_seconds)).sum())


def _places(
    plan: FloatArray, candidates: Sequence[Candidate], windows: Sequence[float]
) -> tuple[Alignment, ...]:
    onsets = np.array([candidate.seconds for candidate in candidates])
    strengths = np.array([candidate.strength for candidate in candidates])
    return possible_alignments(plan, onsets, strengths, windows)


def _fit(
    place: Alignment, plan: FloatArray, candidates: Sequence[Candidate], heard: HeardTake
) -> float:
    """Return how well plan and onsets cover each other (F measure), 0..1."""
    sure = sum(candidate.strength >= _SURE_STRENGTH for candidate in candidates)
    matched = sum(candidates[int(index)].strength >= _SURE_STRENGTH for index in place.onsets)
    return 2 * matched / max(1, _inside(place, plan, heard) + sure)


def _pitches(
    heard: HeardTake,
    candidates: Sequence[Candidate],
    places: Sequence[Alignment],
    pitch_of: PitchOf | None,
) -> dict[int, HeardPitch]:
    """Measure some of the matched onsets, spread over the take; by onset index.

    Where places have other onsets (slow swells have several each), some of their own, too.
    """
    if pitch_of is None:
        return {}
    rate = heard.take.rate_hz
    stretches: dict[int, tuple[int, int]] = {}
    for place in places:
        untold = len(np.setdiff1d(place.onsets, list(stretches))) > 0.5 * len(place.onsets)
        if not stretches or untold:
            most = _OTHER_PITCH_NOTES if stretches else _PITCH_NOTES
            stretches |= _pitch_stretches(heard, candidates, place, most)

    def pitch(samples: FloatArray) -> HeardPitch | None:
        return pitch_of(samples, rate) if len(samples) > 0.05 * rate else None

    read = (heard.take.read(*stretch) for stretch in stretches.values())
    found = zip(stretches, side_by_side(pitch, read), strict=True)
    return {onset: one for onset, one in found if one is not None}


def _pitch_stretches(
    heard: HeardTake, candidates: Sequence[Candidate], place: Alignment, most: int
) -> dict[int, tuple[int, int]]:
    """Return the first and the end frame of some of the matched notes, by onset index."""
    matched = [candidates[int(index)].seconds for index in place.onsets]
    rate_hz = heard.take.rate_hz
    stretches = {}
    for number in spread(len(matched), most):
        start = matched[number]
        next_start = min([start + _PITCH_SECONDS[1], *matched[number + 1 : number + 2]])
        end = note_end(heard.levels, start, start, next_start).seconds  # hum, from there on
        frames = round((start + _PITCH_SECONDS[0]) * rate_hz), round(end * rate_hz)
        stretches[int(place.onsets[number])] = frames
    return stretches


def spread(count: int, most: int) -> list[int]:
    """Return at most so many indexes, evenly spread over range(count)."""
    if count == 0:
        return []
    return [int(i) for i in np.unique(np.linspace(0, count - 1, min(count, most)).round())]


def _refuse_other_keys(place: Alignment, agreement: PitchAgreement) -> None:
    telling = agreement.sure >= _REFUSE_PITCHES and agreement.distinct_keys >= 3
    if telling and not _has_planned_keys(agreement):
        raise MeasurementError(
            f"the plan does not fit the take: {len(place.notes)} onsets lie where it has notes, "
            f"but only {agreement.agreeing} of {agreement.sure} have the planned key; is this the "
            "session sheet of another session? If the keys of this patch do not sound at their "
            "pitches, say with --starts when its first note begins."
        )


def _has_planned_keys(agreement: PitchAgreement) -> bool:
    return (
        agreement.agreeing >= _EXACT_PITCH_FIT * agreement.sure
        and agreement.agreeing_but_octave >= _PITCH_FIT * agreement.sure
    )
