"""Measure every recording of a folder, in several processes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from keymapper.errors import InputError
from keymapper.formats.folder import find_recordings
from keymapper.formats.notes_file import NOTES_NAME, read_notes
from keymapper.formats.two_sides import AudioPlace, right_sides
from keymapper.mapping.assembling import unusable_reason
from keymapper.model.instrument import SkippedFile
from keymapper.model.loop import Loop, LoopOptions
from keymapper.model.recipe import LayerSettings, NoteCorrection, Recipe
from keymapper.model.session import CutNote, CutReport
from keymapper.progress import Progress, followed, no_progress
from keymapper.recording import MeasuringOrder, NoteSource, Recording, measured_recording
from keymapper.workers import Workers

EQUAL_TEMPERAMENT = (0.0,) * 128
WHOLE_FOLDER = LayerSettings(folder="")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredFolder:
    """The recordings of a folder that could be used, and what could not."""

    recordings: tuple[Recording, ...]
    skipped: tuple[SkippedFile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotesInTakes:
    """The notes of a session that lie in its takes, and what else was found there."""

    sources: tuple[NoteSource, ...]
    skipped: tuple[SkippedFile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringJob:
    """A folder to be measured under a recipe."""

    where: Path
    """The folder of recordings, or the first take."""
    recipe: Recipe
    notes: NotesInTakes | None = None
    """None for the files of a folder."""
    layer: LayerSettings = WHOLE_FOLDER
    targets_cents: tuple[float | None, ...] | None = None
    """Where each of the 128 keys is meant to lie above equal temperament; None for there."""

    @property
    def name(self) -> str:
        """What an instrument is called when nobody says."""
        where = self.where.resolve()
        return where.name if self.notes is None else where.stem


def measure_folder(
    folder: Path | str,
    recipe: Recipe | None = None,
    *,
    workers: int | None = None,
    progress: Progress = no_progress,
) -> MeasuredFolder:
    """Measure every recording in a folder and its sub-folders, writing nothing.

    Raises
    ------
    InputError
        There is no such folder, or no audio file in it.
    """
    with Workers(workers) as pool:
        job = MeasuringJob(where=Path(folder), recipe=recipe or Recipe())
        return measured_folder(job, pool, progress)


def measured_folder(job: MeasuringJob, pool: Workers, progress: Progress) -> MeasuredFolder:
    """Measure a folder with workers that run already."""
    sources, skipped = _sources(job)
    corrections = {correction.file: correction for correction in job.recipe.note}
    orders = []
    for source in sources:
        correction = corrections.get(source.name)
        if correction is not None and correction.skip:
            skipped.append(SkippedFile(file=source.name, reason="left out by the recipe"))
        else:
            orders.append(_order(job, source, correction))
    results = followed(pool.run(measured_recording, orders), "Measuring", len(orders), progress)
    skipped += [result for result in results if isinstance(result, SkippedFile)]
    return MeasuredFolder(
        recordings=tuple(result for result in results if isinstance(result, Recording)),
        skipped=tuple(sorted(skipped, key=lambda one: one.file)),
    )


def _sources(job: MeasuringJob) -> tuple[Sequence[NoteSource], list[SkippedFile]]:
    if job.notes is not None:
        return job.notes.sources, list(job.notes.skipped)
    found = find_recordings(job.where, job.layer.folder)
    skipped = [SkippedFile(file=file, reason=reason) for file, reason in found.passed_over]
    session = _session_of(job.where)
    left_out = reasons_left_out(session.notes)
    rights = right_sides(job.where, found.recordings)
    _refuse_named_right_sides(job, rights)
    left_out |= {right: f"the right side of {left}" for left, right in rights.items()}
    sources = []
    for file in found.recordings:
        if file in left_out:
            skipped.append(SkippedFile(file=file, reason=left_out[file]))
        else:
            right = job.where / rights[file] if file in rights else None
            audio = AudioPlace(path=job.where / file, right=right)
            sources.append(_source(file, audio, session))
    lost = [
        file
        for file in session.missing
        if file not in found.recordings and PurePosixPath(file).is_relative_to(job.layer.folder)
    ]
    return sources, skipped + missing_notes(lost)


def missing_notes(files: Sequence[str]) -> list[SkippedFile]:
    """Tell the planned notes that no take holds, by what they would be called."""
    return [SkippedFile(file=file, reason="planned, but missing in the take") for file in files]


def _refuse_named_right_sides(job: MeasuringJob, rights: Mapping[str, str]) -> None:
    """Refuse a recipe that decides about a right side, whose note has the name of the left one."""
    named = {correction.file for correction in job.recipe.note}
    named |= {file for group in job.recipe.choke for file in group.files}
    for left, right in rights.items():
        if right in named:
            raise InputError(
                f"{job.where}: the recipe names {right!r}, the right side of {left!r}; "
                "name the left one, for both."
            )


def reasons_left_out(notes: Mapping[str, CutNote]) -> dict[str, str]:
    """Return the notes of a cut session, by file, that are not to be sampled, and why.

    Where some were planned, what was not is an accident and no repeat of any key.
    """
    reasons = {
        file: f"a {note.role} note of the session"
        for file, note in notes.items()
        if note.role != "note"
    }
    if any(note.plan_index is not None for note in notes.values()):
        extras = [file for file, note in notes.items() if note.plan_index is None]
        reasons |= dict.fromkeys(extras, "not in the plan of the session")
    return reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class _CutSession:
    """The notes of a cut session by file, what was found in cutting them, and what is missing."""

    notes: Mapping[str, CutNote]
    report: CutReport | None
    missing: tuple[str, ...]


def _session_of(folder: Path) -> _CutSession:
    """Return the cut session that a folder is of; nothing where it is of none.

    A session of several patches has a folder for each; what was cut is told above them.
    """
    here = folder.resolve()
    for top, prefix in ((here, ""), (here.parent, f"{here.name}/")):
        path = top / NOTES_NAME
        try:
            report = read_notes(path) if path.is_file() else None
        except InputError:  # somebody else's file of that name
            continue
        named = [] if report is None else [(note.file or "", note) for note in report.notes]
        notes = {f.removeprefix(prefix): note for f, note in named if f and f.startswith(prefix)}
        if report is not None and notes:
            lost = [file for file in report.missing_files if file.startswith(prefix)]
            missing = tuple(file.removeprefix(prefix) for file in lost)
            return _CutSession(notes=notes, report=report, missing=missing)
    return _CutSession(notes={}, report=None, missing=())


def _source(file: str, audio: AudioPlace, session: _CutSession) -> NoteSource:
    source = NoteSource(audio=audio, name=file)
    note = session.notes.get(file)
    if note is None or session.report is None:
        return source
    return with_cutting(source, note, session.report)


def with_cutting(source: NoteSource, note: CutNote, report: CutReport) -> NoteSource:
    """Return a note with what its plan and its cutting say of it."""
    return replace(
        source,
        planned_key=note.planned_key,
        doubts=note.cutting_doubts,
        session_seconds=report.session_seconds(note),
        held_frames=report.held_frames(note),
        cut_frames=note.end_frame - note.first_frame,
    )


def refuse_several_patches(folder: Path) -> None:
    """Refuse a folder of a session whose patches are instruments of their own.

    Raises
    ------
    InputError
        Notes of several patches lie in the folder.
    """
    session = _session_of(folder).notes
    left_out = reasons_left_out(session)
    notes = [
        (note.patch, file)
        for file, note in session.items()
        if file not in left_out and (folder / file).is_file()
    ]
    if len({patch for patch, _ in notes}) > 1:
        names = ", ".join(sorted({PurePosixPath(file).parts[0] for _, file in notes}))
        raise InputError(
            f"{folder}: holds several patches of a session; build each folder ({names})."
        )


def _order(
    job: MeasuringJob, source: NoteSource, correction: NoteCorrection | None
) -> MeasuringOrder:
    recipe = job.recipe
    targets = job.targets_cents or EQUAL_TEMPERAMENT
    return MeasuringOrder(
        source=source,
        reference_hz=recipe.reference_hz,
        rate=recipe.samples.rate,
        targets_cents=targets if recipe.tuning.bake else None,
        loop=_loop_options(recipe, correction),
    )


def _loop_options(recipe: Recipe, correction: NoteCorrection | None) -> LoopOptions:
    stated = None if correction is None else correction.loop
    given = stated if isinstance(stated, tuple) else None
    unlooped = stated is False or recipe.layout == "one-shots"
    return LoopOptions(
        mode="none" if unlooped else recipe.loops.mode,
        flatten=recipe.loops.flatten,
        given=None if given is None else Loop(start_frame=given[0], end_frame=given[1]),
        length_seconds=recipe.loops.wanted_seconds,
    )


def usable(measured: MeasuredFolder) -> MeasuredFolder:
    """Return a measured folder with the recordings that can make no zone moved to the skipped."""
    reasons = [unusable_reason(recording.measurement) for recording in measured.recordings]
    judged = list(zip(measured.recordings, reasons, strict=True))
    skipped = [SkippedFile(file=r.source.file, reason=why) for r, why in judged if why]
    return MeasuredFolder(
        recordings=tuple(recording for recording, why in judged if not why),
        skipped=tuple(sorted([*measured.skipped, *skipped], key=lambda one: one.file)),
    )
