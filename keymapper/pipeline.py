"""The whole flow, from a folder of recorded notes to a playable instrument.

::

    find_recordings ─▶ measured_recording × n ─▶ names, decisions ─▶ places ─▶ zones
                                                                        │
                         manifest.json, .sfz ◀── manifest ◀── write_sample × n
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

from keymapper import __version__
from keymapper.errors import InputError, OutputError
from keymapper.exporting.publish import published_folder, write_text
from keymapper.exporting.sample import SampleOrder, write_sample
from keymapper.exporting.sample_names import sample_file_names
from keymapper.exporting.sfz_file import sfz_document
from keymapper.exporting.tags import sample_chunks
from keymapper.formats.folder import RECIPE_NAME, find_recordings
from keymapper.formats.manifest import write_manifest
from keymapper.formats.recipe import starting_recipe
from keymapper.formats.sfz import write_sfz
from keymapper.mapping.assembling import (
    Assembly,
    PlacedNote,
    SetNote,
    assembled,
    resolved_layout,
    unusable_reason,
)
from keymapper.mapping.doubting import doubts_of_result, sorted_doubts
from keymapper.mapping.levels import common_gain_db
from keymapper.mapping.naming import NamedSet, named_set
from keymapper.mapping.safe_names import safe_name
from keymapper.mapping.zones import Playback, zone
from keymapper.model.instrument import Manifest, NoteRecord, SampleFile, SetFacts, SkippedFile, Zone
from keymapper.model.loop import Loop, LoopOptions, LoopVerdict
from keymapper.model.recipe import NoteCorrection, Recipe
from keymapper.recording import MeasuringOrder, Recording, measured_recording
from keymapper.workers import Workers

SAMPLES_FOLDER = "samples"
MANIFEST_NAME = "manifest.json"

Result = TypeVar("Result")

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, and how many there are."""


def no_progress(_what: str, _done: int, _count: int) -> None:
    """Say nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSettings:
    """How a build runs; what it decides stands in the recipe."""

    workers: int | None = None
    """Processes; None takes every core."""
    replace: bool = False
    """Whether an existing result may be replaced."""
    progress: Progress = no_progress
    write_recipe: bool = False
    """Whether to write a recipe of what was found beside the instrument."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredFolder:
    """The recordings of a folder that could be used, and what could not."""

    recordings: tuple[Recording, ...]
    skipped: tuple[SkippedFile, ...]


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
        return _measured(Path(folder), recipe or Recipe(), pool, progress)


def build_instrument(
    folder: Path | str,
    target: Path | str,
    recipe: Recipe | None = None,
    settings: BuildSettings | None = None,
) -> Manifest:
    """Build a playable instrument from a folder of recorded notes; return its manifest.

    Writes `target` whole (NAME.sfz, manifest.json, samples/) or not at all.

    Raises
    ------
    InputError
        The folder holds nothing that can be used.
    OutputError
        `target` exists already, lies inside the folder, or cannot be written.
    """
    folder, target = Path(folder), Path(target)
    recipe, settings = recipe or Recipe(), settings or BuildSettings()
    refuse_overlap(folder, target)
    with (
        Workers(settings.workers) as pool,
        published_folder(target, replace=settings.replace) as to,
    ):
        measured = usable(_measured(folder, recipe, pool, settings.progress))
        plan = _planned(folder, measured, recipe)
        samples = _written(_sample_orders(plan), to, pool, settings.progress)
        manifest = finished_manifest(plan, samples)
        write_instrument_files(manifest, to)
        if settings.write_recipe:
            text = starting_recipe(recipe, manifest.name, manifest.notes)
            write_text(to / RECIPE_NAME, text)
    return manifest


def default_target(folder: Path) -> Path:
    """Return where an instrument goes when nobody says: beside you, named after its folder."""
    return Path(f"{folder.resolve().name}-instrument")


def usable(measured: MeasuredFolder) -> MeasuredFolder:
    """Return a measured folder with the recordings that can make no zone moved to the skipped."""
    reasons = [unusable_reason(recording.measurement) for recording in measured.recordings]
    judged = list(zip(measured.recordings, reasons, strict=True))
    skipped = [SkippedFile(file=r.source.file, reason=why) for r, why in judged if why]
    return MeasuredFolder(
        recordings=tuple(recording for recording, why in judged if not why),
        skipped=tuple(sorted([*measured.skipped, *skipped], key=lambda one: one.file)),
    )


def refuse_overlap(folder: Path, target: Path) -> None:
    """Refuse a result that would lie inside the recordings, or swallow them."""
    source, result = folder.resolve(), target.resolve()
    if result.is_relative_to(source) or source.is_relative_to(result):
        raise OutputError(
            f"{target}: the result may not lie inside the recordings, nor they in it; "
            "choose another --out."
        )


def _measured(folder: Path, recipe: Recipe, pool: Workers, progress: Progress) -> MeasuredFolder:
    found = find_recordings(folder)
    corrections = {correction.file: correction for correction in recipe.note}
    unknown = sorted(set(corrections) - set(found.recordings))
    if unknown:
        raise InputError(f"{folder}: the recipe corrects {unknown[0]!r}, which is not there.")
    skipped = [SkippedFile(file=file, reason=reason) for file, reason in found.passed_over]
    orders = []
    for file in found.recordings:
        correction = corrections.get(file)
        if correction is not None and correction.skip:
            skipped.append(SkippedFile(file=file, reason="left out by the recipe"))
        else:
            orders.append(_measuring_order(folder, file, correction, recipe))
    results = _followed(pool.run(measured_recording, orders), "Measuring", len(orders), progress)
    skipped += [result for result in results if isinstance(result, SkippedFile)]
    return MeasuredFolder(
        recordings=tuple(result for result in results if isinstance(result, Recording)),
        skipped=tuple(sorted(skipped, key=lambda one: one.file)),
    )


def _followed(results: Iterable[Result], what: str, count: int, progress: Progress) -> list[Result]:
    """Collect results, telling how far they are."""
    collected: list[Result] = []
    progress(what, 0, count)
    for result in results:
        collected.append(result)
        progress(what, len(collected), count)
    return collected


def _measuring_order(
    folder: Path, file: str, correction: NoteCorrection | None, recipe: Recipe
) -> MeasuringOrder:
    given = None if correction is None or isinstance(correction.loop, bool) else correction.loop
    mode = "none" if correction is not None and correction.loop is False else recipe.loops.mode
    return MeasuringOrder(
        folder=folder,
        file=file,
        reference_hz=recipe.reference_hz,
        rate=recipe.samples.rate,
        loop=LoopOptions(
            mode="none" if recipe.layout == "one-shots" else mode,
            flatten=recipe.loops.flatten,
            given=None if given is None else Loop(start_frame=given[0], end_frame=given[1]),
            length_seconds=recipe.loops.length_seconds,
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildPlan:
    """Everything decided, nothing written."""

    folder: Path
    name: str
    recipe: Recipe
    measured: MeasuredFolder
    named: NamedSet
    assembly: Assembly
    gain_db: float
    """Common to all samples."""

    def recording(self, placed: PlacedNote) -> Recording:
        """Return the recording that a placed note came from."""
        return self.measured.recordings[placed.note]

    def loop(self, placed: PlacedNote) -> LoopVerdict:
        """Return the loop of a placed note; what plays to its end has none."""
        if self.assembly.layout == "one-shots" or placed.place.trigger == "release":
            return LoopVerdict(loop=None, kind="none", reason="it plays to its end")
        return self.recording(placed).loop


def _planned(folder: Path, measured: MeasuredFolder, recipe: Recipe) -> BuildPlan:
    recordings = measured.recordings
    files = [recording.source.file for recording in recordings]
    measurements = [recording.measurement for recording in recordings]
    layout = resolved_layout(measurements, recipe)
    named = named_set(files, measurements, layout)
    corrections = {correction.file: correction for correction in recipe.note}
    notes = [
        SetNote(
            file=recording.source.file,
            measurement=recording.measurement,
            hints=hints,
            correction=corrections.get(recording.source.file),
        )
        for recording, hints in zip(recordings, named.hints, strict=True)
    ]
    assembly = assembled(notes, layout, recipe)
    if not assembly.placed:
        reasons = [*measured.skipped, *assembly.skipped]
        first = f" (the first: {reasons[0].file}: {reasons[0].reason})" if reasons else ""
        raise InputError(f"{folder}: no recording in it can be used{first}")
    peaks = [recordings[p.note].measurement.levels.peak_dbfs for p in assembly.placed]
    return BuildPlan(
        folder=folder,
        name=recipe.name or folder.resolve().name,
        recipe=recipe,
        measured=measured,
        named=named,
        assembly=assembly,
        gain_db=common_gain_db(peaks, recipe.levels.peak_dbfs),
    )


def _sample_orders(plan: BuildPlan) -> list[SampleOrder]:
    """Return one order a placed note, in their order."""
    placed = plan.assembly.placed
    stem = safe_name(plan.name)
    names = sample_file_names(stem, placed, f".{plan.recipe.samples.format}")
    return [
        SampleOrder(
            source=plan.folder / plan.recording(note).source.file,
            file=f"{SAMPLES_FOLDER}/{name}",
            preparation=plan.recording(note).preparation,
            loop=plan.loop(note),
            gain_db=plan.gain_db,
            format=plan.recipe.samples.format,
            bits=plan.recipe.samples.bits,
            chunks=sample_chunks(
                note,
                plan.loop(note).loop,
                plan.recipe,
                name=plan.name,
                software=f"keymapper {__version__}",
            ),
        )
        for note, name in zip(placed, names, strict=True)
    ]


def _written(
    orders: Sequence[SampleOrder], to: Path, pool: Workers, progress: Progress
) -> list[SampleFile]:
    results = pool.run(partial(write_sample, folder=to), orders)
    return _followed(results, "Writing", len(orders), progress)


def finished_manifest(plan: BuildPlan, samples: Sequence[SampleFile]) -> Manifest:
    """Return the manifest of what was decided and written."""
    written = list(zip(plan.assembly.placed, samples, strict=True))
    notes = [_note_record(plan, placed, sample) for placed, sample in written]
    zones = [_zone(plan, placed, sample) for placed, sample in written]
    doubts = [*plan.named.doubts, *plan.assembly.doubts, *doubts_of_result(notes)]
    recipe = plan.recipe
    return Manifest(
        tool_version=__version__,
        name=plan.name,
        author=recipe.author or "",
        licence=recipe.licence or "",
        description=recipe.description or "",
        reference_hz=recipe.reference_hz,
        layout=plan.assembly.layout,
        recipe=recipe,
        facts=SetFacts(
            offset_semitones=plan.named.offset_semitones,
            middle_c_octave=plan.named.middle_c_octave,
            remarks=plan.named.facts,
            common_gain_db=plan.gain_db,
        ),
        zones=tuple(zones),
        notes=tuple(notes),
        doubts=sorted_doubts(doubts),
        skipped=(*plan.measured.skipped, *plan.assembly.skipped),
    )


def _note_record(plan: BuildPlan, placed: PlacedNote, sample: SampleFile) -> NoteRecord:
    recording = plan.recording(placed)
    return NoteRecord(
        source=recording.source,
        embedded=recording.embedded,
        hints=plan.named.hints[placed.note],
        measurement=recording.measurement,
        decision=placed.decision,
        loop=plan.loop(placed),
        sample=sample,
    )


def _zone(plan: BuildPlan, placed: PlacedNote, sample: SampleFile) -> Zone:
    return zone(
        placed,
        Playback(
            sample=sample.file,
            rate=sample.processing.rate,
            loop=plan.loop(placed),
            layout=plan.assembly.layout,
            release_seconds=plan.recipe.release_seconds,
        ),
    )


def write_instrument_files(manifest: Manifest, to: Path) -> None:
    """Write the SFZ and the manifest beside the samples."""
    sfz = write_sfz(sfz_document(manifest))
    write_text(to / f"{safe_name(manifest.name)}.sfz", sfz)
    write_text(to / MANIFEST_NAME, write_manifest(manifest))
