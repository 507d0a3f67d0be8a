"""The notes of a planned session, where they lie in its takes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from keymapper.errors import InputError
from keymapper.formats.two_sides import AudioPlace
from keymapper.model.instrument import SkippedFile
from keymapper.model.session import SessionSheet
from keymapper.pipeline.measure import NotesInTakes, missing_notes, reasons_left_out, with_cutting
from keymapper.progress import Progress
from keymapper.recording import NoteSource, file_sha256


def notes_in_takes(takes: Sequence[Path], sheet: SessionSheet, progress: Progress) -> NotesInTakes:
    """Return the planned notes that were found, named by the plan, in the order of the plan.

    Sync and reference notes, and what nobody planned, are left out.

    Raises
    ------
    InputError
        The session holds several patches: each is an instrument of its own.
    """
    from keymapper.cutting import cut_takes  # a plain build needs none of it

    report = cut_takes(takes, sheet, progress)
    found = {note.file: note for note in report.notes if note.file is not None}
    left_out = reasons_left_out(found)
    sampled = {file: note for file, note in found.items() if file not in left_out}
    if len({note.patch for note in sampled.values()}) > 1:
        raise InputError(
            f"{takes[0]}: the session holds several patches; slice it and build each folder."
        )
    hashes = [file_sha256(take) for take in takes]
    sources = []
    for file, note in sampled.items():
        audio = AudioPlace(path=takes[note.take], frames=(note.first_frame, note.end_frame))
        source = NoteSource(audio=audio, name=file, sha256=hashes[note.take])
        sources.append(with_cutting(source, note, report))
    skipped = [SkippedFile(file=file, reason=reason) for file, reason in left_out.items()]
    skipped += missing_notes(report.missing_files)
    return NotesInTakes(sources=tuple(sources), skipped=tuple(skipped))
