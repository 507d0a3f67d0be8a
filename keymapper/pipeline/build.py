"""Write an instrument: its samples, its SFZ, its manifest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from keymapper import __version__
from keymapper.errors import OutputError
from keymapper.exporting.exporters import OWN_FORMATS, export
from keymapper.exporting.publish import published_folder, write_text
from keymapper.exporting.sample import write_sample
from keymapper.formats.folder import RECIPE_NAME
from keymapper.formats.recipe import starting_recipe
from keymapper.mapping.controls import controls
from keymapper.mapping.doubting import doubts_of_result, sorted_doubts
from keymapper.mapping.set_notes import PlacedNote
from keymapper.mapping.zones import Playback, zones_of
from keymapper.model.instrument import Manifest, NoteRecord, SampleFile, SetFacts, Zone
from keymapper.model.recipe import Recipe
from keymapper.pipeline.measure import (
    MeasuringJob,
    Progress,
    followed,
    measured_folder,
    no_progress,
    usable,
)
from keymapper.pipeline.plan import BuildPlan, build_plan, sample_orders
from keymapper.workers import Workers


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSettings:
    """How a build runs; what it decides stands in the recipe."""

    workers: int | None = None
    """Processes; None takes every core."""
    replace: bool = False
    """Whether an existing result may be replaced."""
    progress: Progress = no_progress
    targets_cents: tuple[float, ...] | None = None
    """Where each of the 128 keys is meant to lie above equal temperament; None for there."""
    formats: tuple[str, ...] = ()
    """Exporters of other packages, beside SFZ and manifest."""
    write_recipe: bool = False
    """Whether to write a recipe of what was found beside the instrument."""


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
    settings = settings or BuildSettings()
    job = MeasuringJob(
        folder=folder, recipe=recipe or Recipe(), targets_cents=settings.targets_cents
    )
    refuse_overlap(folder, target)
    with (
        Workers(settings.workers) as pool,
        published_folder(target, replace=settings.replace) as to,
    ):
        measured = usable(measured_folder(job, pool, settings.progress))
        plan = build_plan(job, measured)
        orders = sample_orders(plan)
        written = pool.run(partial(write_sample, folder=to), orders)
        samples = followed(written, "Writing", len(orders), settings.progress)
        manifest = finished_manifest(plan, samples)
        export(manifest, [*OWN_FORMATS, *settings.formats], to)
        if settings.write_recipe:
            text = starting_recipe(job.recipe, manifest.name, manifest.notes)
            write_text(to / RECIPE_NAME, text)
    return manifest


def default_target(folder: Path) -> Path:
    """Return where an instrument goes when nobody says: beside you, named after its folder."""
    return Path(f"{folder.resolve().name}-instrument")


def refuse_overlap(folder: Path, target: Path) -> None:
    """Refuse a result that would lie inside the recordings, or swallow them."""
    source, result = folder.resolve(), target.resolve()
    if result.is_relative_to(source) or source.is_relative_to(result):
        raise OutputError(
            f"{target}: the result may not lie inside the recordings, nor they in it; "
            "choose another --out."
        )


def finished_manifest(plan: BuildPlan, samples: Sequence[SampleFile]) -> Manifest:
    """Return the manifest of what was decided and written."""
    written = list(zip(plan.assembly.placed, samples, strict=True))
    notes = [_note_record(plan, placed, sample) for placed, sample in written]
    zones = [zone for placed, sample in written for zone in _zones(plan, placed, sample)]
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
            remarks=(*plan.named.facts, *plan.assembly.remarks),
            common_gain_db=plan.gain_db,
        ),
        controls=controls(zones, recipe.controls),
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


def _zones(plan: BuildPlan, placed: PlacedNote, sample: SampleFile) -> list[Zone]:
    playback = Playback(
        sample=sample.file,
        rate=sample.processing.rate,
        loop=plan.loop(placed),
        layout=plan.assembly.layout,
        baked_cents=sample.processing.baked_cents,
        brightness=None,
    )
    return zones_of(placed, playback, plan.job.targets_cents, plan.recipe)
