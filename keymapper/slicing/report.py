"""From the notes found in one or more takes to the report: named, repeats replaced."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

from keymapper.model.session import (
    CLIPPED,
    NO_PITCH,
    UNSURE_KEY,
    CutNote,
    CutReport,
    CutTake,
    ExtraNote,
    PlannedNote,
    SessionSheet,
)
from keymapper.slicing.alike import SURE_PITCH, sounds_without_pitch
from keymapper.slicing.evidence import HeardPitch
from keymapper.slicing.found import HELD_ON, RINGS_ON, FoundNote, SlicedTake
from keymapper.slicing.naming import (
    extra_file_name,
    note_stem,
    plain_name,
    planned_file_name,
)
from keymapper.slicing.unplanned import UnplannedTake

_SAME_LAYER_DB = 2.0
_SURELY_ANOTHER_DB = 6.0
"""Nobody who means to repeat a note plays it so much louder."""
_END_SECONDS = 0.01
"""A note that ends so near to the end of the take ends with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFacts:
    """What is known of the file of a take."""

    file: str
    rate_hz: int
    channels: int
    frames: int
    missing_frames: int
    suffix: str


def planned_report(
    sheet: SessionSheet, takes: Sequence[SlicedTake], facts: Sequence[TakeFacts]
) -> CutReport:
    """Return the report of the takes of one plan; a later take replaces notes of an earlier one."""
    chosen = _chosen(takes, facts)
    notes = []
    for index in sorted(chosen):
        number, note = chosen[index]
        planned = sheet.notes[index]
        file = planned_file_name(planned, sheet.patches, facts[number].suffix)
        notes.append(_cut_note(note, number, file, planned))
    extras = [
        (number, note)
        for number, take in enumerate(takes)
        for note in take.notes
        if note.plan_index is None
    ]
    for count, (number, note) in enumerate(extras, 1):
        doubled = None if note.doubles_plan_index is None else sheet.notes[note.doubles_plan_index]
        file = extra_file_name(count, facts[number].suffix)
        notes.append(_cut_note(note, number, file, doubled))
    missing = tuple(index for index in range(len(sheet.notes)) if index not in chosen)
    return CutReport(
        latency_seconds=_rounded(takes[0].latency_seconds, 7),
        drift_ppm=_rounded(takes[0].drift_ppm, 4),
        missing=missing,
        extra=tuple(_extra_note(number, note) for number, note in extras),
        notes=tuple(notes),
        takes=tuple(cut_take(take, fact) for take, fact in zip(takes, facts, strict=True)),
        patches=sheet.patches,
        missing_files=tuple(
            planned_file_name(sheet.notes[index], sheet.patches, facts[0].suffix)
            for index in missing
            if sheet.notes[index].role == "note"
        ),
    )


def _chosen(
    takes: Sequence[SlicedTake], facts: Sequence[TakeFacts]
) -> dict[int, tuple[int, FoundNote]]:
    """Return the take and the note of each plan index: the latest whole one, else the latest."""
    chosen: dict[int, tuple[int, FoundNote]] = {}
    whole: set[int] = set()
    for number, take in enumerate(takes):
        for note in take.notes:
            index = note.plan_index
            is_whole = not _is_broken_off(note, facts[number])
            if index is None or (index in whole and not is_whole):
                continue
            chosen[index] = (number, note)
            if is_whole:
                whole.add(index)
    return chosen


def _is_broken_off(note: FoundNote, facts: TakeFacts) -> bool:
    left_frames = facts.frames - note.end_frame
    at_the_end = left_frames <= _END_SECONDS * facts.rate_hz
    return at_the_end and (HELD_ON in note.doubtful or RINGS_ON in note.doubtful)


def cut_take(take: SlicedTake, facts: TakeFacts) -> CutTake:
    """Return how a take was lined up, as the report holds it."""
    return CutTake(
        file=facts.file,
        rate_hz=facts.rate_hz,
        channels=facts.channels,
        frames=facts.frames,
        missing_frames=facts.missing_frames,
        latency_seconds=_rounded(take.latency_seconds, 7),
        drift_ppm=_rounded(take.drift_ppm, 4),
        onsets_matched=take.onsets_matched,
        onsets_found=take.onsets_found,
        noise_floor_dbfs=round(take.noise_floor_dbfs, 2),
        remarks=take.remarks + _clipping(take),
    )


def _clipping(take: SlicedTake) -> tuple[str, ...]:
    count = sum(CLIPPED in note.doubtful for note in take.notes)
    if not count:
        return ()
    return (f"{count} notes reach full scale, most likely clipped: record again with less gain",)


def _rounded(number: float | None, digits: int) -> float | None:
    return None if number is None else round(number, digits)


def _cut_note(note: FoundNote, take: int, file: str, planned: PlannedNote | None) -> CutNote:
    return CutNote(
        file=file,
        take=take,
        plan_index=note.plan_index,
        role="note" if planned is None else planned.role,
        patch=0 if planned is None else planned.patch,
        key=None if planned is None else planned.key,
        velocity=None if planned is None else planned.velocity,
        round_robin=1 if planned is None else planned.round_robin,
        onset_seconds=round(note.onset_seconds, 7),
        end_seconds=round(note.end_seconds, 7),
        first_frame=note.first_frame,
        end_frame=note.end_frame,
        peak_dbfs=round(note.peak_dbfs, 2),
        signal_to_noise_db=round(note.signal_to_noise_db, 2),
        note_off_seconds=_rounded(note.note_off_seconds, 7),
        doubtful=note.doubtful,
    )


def _extra_note(take: int, note: FoundNote) -> ExtraNote:
    return ExtraNote(
        take=take,
        onset_seconds=round(note.onset_seconds, 7),
        after_plan_index=note.after_plan_index,
        doubles_plan_index=note.doubles_plan_index,
    )


def unplanned_report(
    name: str, takes: Sequence[UnplannedTake], facts: Sequence[TakeFacts]
) -> CutReport:
    """Return the report of takes without a plan: keys by pitch, velocities by order of level.

    What has no pitch is told apart by its sound.
    """
    heard = [(number, note) for number, take in enumerate(takes) for note in take.sliced.notes]
    pitches = [pitch for take in takes for pitch in take.pitches]
    sounds = sounds_without_pitch(pitches, [colour for take in takes for colour in take.colours])
    pitches = [one if sound is None else None for one, sound in zip(pitches, sounds, strict=True)]
    keys = [None if one is None else min(127, max(0, round(one.key))) for one in pitches]
    played_as = [sound if key is None else key for key, sound in zip(keys, sounds, strict=True)]
    velocities = velocity_layers(played_as, [note.peak_dbfs for _, note in heard])
    stem = plain_name(name) or "note"
    counts: Counter[tuple[Hashable, int]] = Counter()
    notes = []
    for index, (number, note) in enumerate(heard):
        key, velocity = keys[index], velocities[index]
        counts[played_as[index], velocity] += 1
        count = counts[played_as[index], velocity]
        planned = PlannedNote(
            role="note",
            patch=0,
            key=key or 0,
            velocity=velocity,
            round_robin=count,
            on_seconds=0.0,
            off_seconds=0.0,
            until_seconds=0.0,
        )
        file = note_stem(stem, played_as[index], velocity, count) + facts[number].suffix
        doubts = note.doubtful + _pitch_doubts(pitches[index])
        cut = _cut_note(note, number, file, planned)
        notes.append(replace(cut, key=key, round_robin=count, doubtful=doubts))
    return CutReport(
        latency_seconds=None,
        drift_ppm=None,
        missing=(),
        extra=(),
        notes=tuple(notes),
        takes=tuple(cut_take(t.sliced, fact) for t, fact in zip(takes, facts, strict=True)),
    )


def velocity_layers(keys: Sequence[Hashable], levels_db: Sequence[float]) -> list[int]:
    """Return a velocity a note: the levels of a key that lie within 2 dB of each other share one.

    Keys with a pitch are played alike: none has more layers than most have, but for levels 6 dB
    apart. The loudest layer of a key gets 127, the others evenly spaced velocities below it.

    keys : of each note, a number; or whatever else tells what it was played as.
    """
    orders = {
        key: sorted((i for i, one in enumerate(keys) if one == key), key=lambda i: levels_db[i])
        for key in set(keys)
    }
    gaps_db = {
        key: [levels_db[louder] - levels_db[quieter] for quieter, louder in itertools.pairwise(one)]
        for key, one in orders.items()
    }
    usual = _usual_borders([gaps for key, gaps in gaps_db.items() if isinstance(key, int)])
    velocities = [127] * len(keys)
    for key, order in orders.items():
        borders = _borders_db(gaps_db[key])[: usual if isinstance(key, int) else None]
        least = min([*borders, _SURELY_ANOTHER_DB])
        layers = [0, *itertools.accumulate(gap >= least for gap in gaps_db[key])]
        for index, layer in zip(order, layers, strict=True):
            velocities[index] = round(127 * (layer + 1) / (layers[-1] + 1))
    return velocities


def _borders_db(gaps_db: Sequence[float]) -> list[float]:
    """Return what may lie between two layers, the widest first."""
    return sorted((gap for gap in gaps_db if gap > _SAME_LAYER_DB), reverse=True)


def _usual_borders(gaps_db: Sequence[Sequence[float]]) -> int:
    """Return how many borders most of the keys have that were played more than once."""
    counts = Counter(len(_borders_db(gaps)) for gaps in gaps_db if gaps)
    return max(counts, key=lambda count: (counts[count], count), default=0)


def _pitch_doubts(pitch: HeardPitch | None) -> tuple[str, ...]:
    if pitch is None:
        return (NO_PITCH,)
    if pitch.confidence < SURE_PITCH:
        return (f"{UNSURE_KEY} ({100 * pitch.confidence:.0f} %)",)
    return ()
