"""From takes to notes: the plan read, every take streamed and cut, the copies written.

::

    session.json or .mid ─▶ sheet ─┐
    take × n ─▶ hear_take ─▶ slice_by_plan ─▶ planned_report ─▶ copies, notes.json
                         └─▶ slice_unplanned ─▶ unplanned_report ─┘
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

import numpy as np

from keymapper.errors import InputError, MeasurementError
from keymapper.exporting.publish import published_folder, refuse_overlap
from keymapper.formats.midi_file import read_midi
from keymapper.formats.notes_file import NOTES_NAME, notes_json, read_notes
from keymapper.formats.session_sheet import read_session_sheet
from keymapper.formats.take_file import TakeFile
from keymapper.model.session import CutNote, CutReport, SessionSheet
from keymapper.progress import Progress, no_progress
from keymapper.slicing.evidence import HeardPitch
from keymapper.slicing.found import SlicedTake
from keymapper.slicing.hearing import hear_take
from keymapper.slicing.planned import slice_by_plan
from keymapper.slicing.report import TakeFacts, planned_report, unplanned_report
from keymapper.slicing.unplanned import UnplannedTake, slice_unplanned
from keymapper.workers import keep_freed_memory

_COPIERS = 2
_MOST_KEPT_BYTES, _LARGEST_KEPT_BYTES = 2**25, 2**22
"""Of memory that becomes free: chunks of a take fit in, what is known of a long take does not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A session sheet, and what had to be assumed to read it."""

    sheet: SessionSheet
    remarks: tuple[str, ...] = ()


def read_plan(path: Path) -> Plan:
    """Read a session sheet (.json) or a Standard MIDI File (any other name)."""
    if path.suffix.lower() == ".json":
        return Plan(sheet=read_session_sheet(path))
    midi = read_midi(path)
    return Plan(sheet=midi.sheet, remarks=midi.remarks)


def cut_takes(
    paths: Sequence[Path],
    sheet: SessionSheet | None,
    progress: Progress = no_progress,
    starts_seconds: float | None = None,
) -> CutReport:
    """Return where the notes of the takes lie, writing nothing.

    sheet : the plan they were recorded from; None finds the notes by their sound alone.
    starts_seconds : where about its first note begins in the only take, where somebody knows.

    Raises
    ------
    InputError
        A take cannot be read, or differs from the first in rate or channels.
    MeasurementError
        A take is silent, or does not fit the plan.
    """
    keep_freed_memory(_MOST_KEPT_BYTES, _LARGEST_KEPT_BYTES)
    planned: list[SlicedTake] = []
    unplanned: list[UnplannedTake] = []
    facts: list[TakeFacts] = []
    for number, path in enumerate(paths):
        with TakeFile(path) as take, _naming_the_take(path):
            _refuse_mixed(take, facts)
            heard = hear_take(take, _take_progress(progress, number, len(paths), take.frames))
            if sheet is not None:
                planned.append(slice_by_plan(heard, sheet, heard_pitch, starts_seconds))
            else:
                unplanned.append(slice_unplanned(heard, heard_pitch))
            facts.append(_facts(take))
    if sheet is not None:
        return planned_report(sheet, planned, facts)
    return unplanned_report(paths[0].stem, unplanned, facts)


def write_notes(
    report: CutReport,
    paths: Sequence[Path],
    out: Path,
    *,
    replace: bool = False,
    progress: Progress = no_progress,
) -> None:
    """Write one file a note and notes.json, the whole folder or nothing.

    Raises
    ------
    OutputError
        The folder holds one of the takes, exists and `replace` is off or it holds anything but
        an earlier result, or cannot be written.
    """
    refuse_overlap(out, paths)
    with (
        published_folder(out, replace=replace, earlier=_cut_files) as to,
        ExitStack() as stack,
    ):
        idle: SimpleQueue[list[TakeFile]] = SimpleQueue()
        for _ in range(_COPIERS):
            idle.put([stack.enter_context(TakeFile(path)) for path in paths])

        def copy(note: CutNote) -> None:
            if note.file is None:
                return
            takes = idle.get()
            target = to / note.file
            target.parent.mkdir(parents=True, exist_ok=True)
            takes[note.take].copy_range(note.first_frame, note.end_frame, target)
            idle.put(takes)

        with ThreadPoolExecutor(_COPIERS) as pool:
            for done, _ in enumerate(pool.map(copy, report.notes), 1):
                progress("Copying", done, len(report.notes))
        (to / NOTES_NAME).write_bytes(notes_json(report))


def _cut_files(folder: Path) -> frozenset[str]:
    """Return the files of an earlier cut in a folder; none where there is none."""
    try:
        notes = read_notes(folder / NOTES_NAME).notes
    except InputError:
        return frozenset()
    return frozenset({NOTES_NAME, *(note.file for note in notes if note.file is not None)})


def heard_pitch(samples: np.ndarray, rate_hz: int) -> HeardPitch | None:
    """Return the pitch of a stretch of a take, or None where it has none."""
    from keymapper.measuring.pitch import measure_pitch

    pitch = measure_pitch(samples, rate_hz)
    if pitch.root_key is None or pitch.tuning_cents is None:
        return None
    return HeardPitch(
        key=pitch.root_key + pitch.tuning_cents / 100, confidence=pitch.pitch_confidence
    )


@contextmanager
def _naming_the_take(path: Path) -> Iterator[None]:
    """Put the file in front of what could not be measured."""
    try:
        yield
    except MeasurementError as error:
        raise MeasurementError(f"{path}: {error}") from error


def _facts(take: TakeFile) -> TakeFacts:
    return TakeFacts(
        file=take.path.name,
        rate_hz=take.rate_hz,
        channels=take.channels,
        frames=take.frames,
        missing_frames=take.missing_frames,
        suffix=take.suffix,
    )


def _refuse_mixed(take: TakeFile, facts: Sequence[TakeFacts]) -> None:
    if not facts:
        return
    first = facts[0]
    if (take.rate_hz, take.channels) != (first.rate_hz, first.channels):
        raise InputError(
            f"{take.path}: {take.channels} channels at {take.rate_hz} Hz, but {first.file} has "
            f"{first.channels} at {first.rate_hz}; record all takes of a session alike."
        )


def _take_progress(
    progress: Progress, number: int, count: int, frames: int
) -> Callable[[int], None]:
    return lambda done: progress(
        "Listening", round(1000 * (number + done / max(1, frames))), 1000 * count
    )
