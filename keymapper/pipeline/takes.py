"""The notes of a planned session, where they lie in its takes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from keymapper.errors import InputError
from keymapper.model.session import SessionSheet
from keymapper.pipeline.measure import Progress
from keymapper.recording import NoteSource, file_sha256


def notes_in_takes(
    takes: Sequence[Path], sheet: SessionSheet, progress: Progress
) -> tuple[NoteSource, ...]:
    """Return the planned notes that were found, named by the plan, in the order of the plan.

    Sync and reference notes are left out.

    Raises
    ------
    InputError
        The session holds several patches: each is an instrument of its own.
    """
    from keymapper.cutting import cut_takes  # a plain build needs none of it

    report = cut_takes(takes, sheet, progress)
    found = [note for note in report.notes if note.role == "note" and note.file is not None]
    if len({note.patch for note in found}) > 1:
        raise InputError(
            f"{takes[0]}: the session holds several patches; slice it and build each folder."
        )
    hashes = [file_sha256(take) for take in takes]
    return tuple(
        NoteSource(
            path=takes[note.take],
            name=note.file,
            frames=(note.first_frame, note.end_frame),
            sha256=hashes[note.take],
            planned_key=note.key,
        )
        for note in found
        if note.file is not None
    )
