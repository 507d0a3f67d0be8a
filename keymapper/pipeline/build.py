"""Write an instrument: its samples, its SFZ, its manifest."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from keymapper.errors import InputError
from keymapper.exporting.exporters import OWN_FORMATS, export
from keymapper.exporting.publish import published_folder, refuse_overlap, write_text
from keymapper.exporting.sample import write_sample
from keymapper.formats.folder import RECIPE_NAME
from keymapper.formats.recipe import starting_recipe
from keymapper.mapping.safe_names import safe_name
from keymapper.model.instrument import Manifest
from keymapper.model.proof import Proof
from keymapper.model.recipe import Recipe
from keymapper.model.session import SessionSheet
from keymapper.pipeline.budget import within_budget
from keymapper.pipeline.earlier import PROOF_NAME, built_files
from keymapper.pipeline.fading import with_even_fades
from keymapper.pipeline.finish import finished_manifest
from keymapper.pipeline.measure import (
    WHOLE_FOLDER,
    MeasuringJob,
    measured_folder,
    refuse_several_patches,
    usable,
)
from keymapper.pipeline.plan import BuildPlan, build_plan, levelled, sample_orders
from keymapper.pipeline.repeats import without_same_repeats
from keymapper.pipeline.takes import notes_in_takes
from keymapper.progress import Progress, followed, no_progress
from keymapper.proving.proof import ProofSettings, prove_instrument
from keymapper.proving.proof_file import write_proof
from keymapper.reporting.page import begin_instrument_page
from keymapper.workers import Workers

PROOF_HOLD_SECONDS = 1.0
PROOF_TAIL_SECONDS = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSettings:
    """How a build runs; what it decides stands in the recipe."""

    workers: int | None = None
    """Processes; None takes every core."""
    replace: bool = False
    """Whether an existing result may be replaced."""
    progress: Progress = no_progress
    targets_cents: tuple[float | None, ...] | None = None
    """Where each of the 128 keys is meant to lie above equal temperament; None for there.

    A key whose own entry is None stays silent."""
    formats: tuple[str, ...] = ()
    """Exporters of other packages, beside SFZ and manifest."""
    prove: bool = True
    """Whether the written files are played and measured, in short."""
    page: bool = True
    """Whether a page to see and hear the instrument is written beside it."""
    write_recipe: bool = False
    """Whether to write a recipe of what was found beside the instrument.

    One that lies there already is kept as it is, whatever this says."""


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
        `target` exists already, lies inside the folder, holds anything but an earlier build, or
        cannot be written.
    """
    job = MeasuringJob(where=Path(folder), recipe=recipe or Recipe())
    refuse_overlap(Path(target), [Path(folder)])
    return _built(job, Path(target), settings or BuildSettings())


def build_from_takes(
    takes: Sequence[Path | str],
    sheet: SessionSheet,
    target: Path | str,
    recipe: Recipe | None = None,
    settings: BuildSettings | None = None,
) -> Manifest:
    """Build an instrument from long takes of a planned session, without copies of the notes.

    Raises
    ------
    InputError, MeasurementError
        A take cannot be read, or does not fit the plan.
    OutputError
        `target` exists already, holds a take or anything but an earlier build, or cannot be
        written.
    """
    paths = [Path(take) for take in takes]
    settings = settings or BuildSettings()
    refuse_overlap(Path(target), paths)
    job = MeasuringJob(
        where=paths[0],
        recipe=recipe or Recipe(),
        notes=notes_in_takes(paths, sheet, settings.progress),
    )
    return _built(job, Path(target), settings)


def _built(job: MeasuringJob, target: Path, settings: BuildSettings) -> Manifest:
    earlier = partial(built_files, formats=settings.formats)
    with (
        published_folder(target, replace=settings.replace, earlier=earlier) as to,
        Workers(settings.workers) as pool,
    ):
        plans = with_even_fades(levelled(within_budget(_plans(job, settings, pool), pool)))
        orders = [order for plan in plans for order in sample_orders(plan)]
        written = pool.run(partial(write_sample, folder=to), orders)
        samples = followed(written, "Writing", len(orders), settings.progress)
        manifest = finished_manifest(plans, samples)
        write_page = begin_instrument_page(to, manifest, pool) if settings.page else None
        export(manifest, [*OWN_FORMATS, *settings.formats], to)
        proof = _short_proof(to, settings, pool) if settings.prove else None
        if proof is not None:
            write_proof(proof, to / PROOF_NAME)
        if write_page is not None:
            write_page(proof)
        if (target / RECIPE_NAME).is_file():
            shutil.copy2(target / RECIPE_NAME, to / RECIPE_NAME, follow_symlinks=False)
        elif settings.write_recipe:
            text = starting_recipe(job.recipe, manifest.name, manifest.notes)
            write_text(to / RECIPE_NAME, text)
    return manifest


def _short_proof(folder: Path, settings: BuildSettings, pool: Workers) -> Proof:
    """Play what was written: each zone at its lowest, root and highest key."""
    how = ProofSettings(
        short=True,
        hold_seconds=PROOF_HOLD_SECONDS,
        tail_seconds=PROOF_TAIL_SECONDS,
        progress=settings.progress,
    )
    return prove_instrument(folder, how, pool)


def _plans(job: MeasuringJob, settings: BuildSettings, pool: Workers) -> list[BuildPlan]:
    """Return one plan a layer; without layers the whole folder is one."""
    if job.notes is None and not job.recipe.layer:
        refuse_several_patches(job.where)
    layers = job.recipe.layer or (WHOLE_FOLDER,)
    stem = safe_name(job.recipe.name or job.name)
    plans = []
    for index, layer in enumerate(layers, 1):
        own = replace(job, layer=layer, targets_cents=settings.targets_cents)
        measured = usable(measured_folder(own, pool, settings.progress))
        plan = build_plan(own, measured, f"{stem}_{index}" if len(layers) > 1 else stem)
        plans.append(without_same_repeats(plan, pool))
    _refuse_unknown_files(job, plans)
    return plans


def _refuse_unknown_files(job: MeasuringJob, plans: Sequence[BuildPlan]) -> None:
    """Refuse a recipe that names a file that is not there: most likely a slip of the pen."""
    known = {r.source.file for plan in plans for r in plan.measured.recordings}
    known |= {skipped.file for plan in plans for skipped in plan.measured.skipped}
    named = [("corrects", correction.file) for correction in job.recipe.note]
    named += [("chokes", file) for group in job.recipe.choke for file in group.files]
    for what, file in named:
        if file not in known:
            raise InputError(f"{job.where}: the recipe {what} {file!r}, which is not there.")


def default_target(recordings: Path) -> Path:
    """Return where an instrument goes when nobody says: beside you, named after its recordings.

    Beside their folder where you are in it. recordings : a folder, or a take.
    """
    where, here = recordings.resolve(), Path.cwd()
    name = f"{where.stem if where.is_file() else where.name}-instrument"
    return (
        Path(os.path.relpath(where.with_name(name))) if here.is_relative_to(where) else Path(name)
    )
