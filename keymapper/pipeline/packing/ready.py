"""Get the instruments of a pack ready: built if need be, audited, proved, measured."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from keymapper.auditing.audit import AuditSettings, audit_path
from keymapper.auditing.cache import FactsCache
from keymapper.errors import InputError
from keymapper.formats.audio_file import read_audio
from keymapper.formats.folder import RECIPE_NAME
from keymapper.formats.manifest import manifest_beside
from keymapper.formats.pack_recipe import starting_pack_recipe
from keymapper.formats.recipe import read_recipe
from keymapper.formats.scala import recipe_targets
from keymapper.measuring.loudness import measured_loudness
from keymapper.model.loudness import Loudness
from keymapper.model.pack import DeclaredInstrument, PackFinding
from keymapper.model.proof import ProofLimits
from keymapper.model.recipe import Recipe
from keymapper.packing.gate import audit_findings, is_mended, proof_findings
from keymapper.packing.instrument import (
    ReadyInstrument,
    format_findings,
    manifest_findings,
    ready_instrument,
)
from keymapper.packing.names import folder_names
from keymapper.pipeline.build import BuildSettings, build_instrument
from keymapper.progress import Progress, followed
from keymapper.proving.proof import ProofSettings, prove_instrument
from keymapper.workers import Workers


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What making a pack has to hand."""

    base: Path
    """The folder of the pack recipe: paths in it are relative to this."""
    work: Path
    """An empty folder for what is made on the way."""
    pool: Workers
    cache: FactsCache | None
    progress: Progress


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltFolder:
    """A built instrument, and what it was built from where that was done for this pack."""

    folder: Path
    """Or its SFZ file, where the folder holds several."""
    recordings: Path | None = None
    recipe: Recipe = field(default_factory=Recipe)
    recipe_file: Path = Path(RECIPE_NAME)
    """Scales that it names lie beside it."""


def built_folders(
    declared: Sequence[DeclaredInstrument], around: Surroundings
) -> tuple[BuiltFolder, ...]:
    """Return the folder of each instrument, those given as recordings built first.

    Raises
    ------
    InputError
        A folder is not there, or holds nothing to build.
    """
    folders = []
    for number, one in enumerate(declared):
        source = around.base / one.folder
        recipe_file = source / RECIPE_NAME
        if source.suffix == ".toml" and source.is_file():
            source, recipe_file = source.parent, source
        if _holds_instrument(source):
            folders.append(BuiltFolder(folder=source))
            continue
        if not source.is_dir():
            raise InputError(f"{source}: there is no such folder; correct [[instrument]] folder.")
        if not recipe_file.is_file():
            _refuse_hidden_instrument(source)
        recipe = read_recipe(recipe_file) if recipe_file.is_file() else Recipe()
        name = one.name or recipe.name or source.resolve().name
        built = BuiltFolder(
            folder=around.work / "built" / f"{number:04d}",
            recordings=source,
            recipe=replace(recipe, name=name),
            recipe_file=recipe_file,
        )
        build_again(built, built.folder, built.recipe, around)
        folders.append(built)
    return tuple(folders)


def _holds_instrument(source: Path) -> bool:
    """Tell whether a path is an SFZ file, or a folder with one right in it."""
    if source.is_file():
        return source.suffix.lower() == ".sfz"
    return source.is_dir() and bool(_sfz_files(source))


def _sfz_files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.suffix.lower() == ".sfz")


def _refuse_hidden_instrument(source: Path) -> None:
    """Raise where somebody's instrument lies further down: it is not to be made anew unasked."""
    below = sorted(path for path in source.rglob("*") if path.suffix.lower() == ".sfz")
    if below:
        raise InputError(
            f"{source}: its instrument lies further down, in {below[0].relative_to(source)}; move "
            f"it up beside its samples, or write a {RECIPE_NAME} to build another from them."
        )


def build_again(built: BuiltFolder, target: Path, recipe: Recipe, around: Surroundings) -> None:
    """Build an instrument from its recordings, by its recipe or a smaller one.

    Raises
    ------
    UsageError
        Nothing that plays every key is as small as the recipe's budget.
    """
    assert built.recordings is not None
    settings = BuildSettings(
        workers=around.pool.count,
        progress=around.progress,
        targets_cents=recipe_targets(recipe, built.recipe_file),
        prove=False,
        page=False,
    )
    build_instrument(built.recordings, target, recipe, settings)


def first_pack_recipe(folder: Path, base: Path) -> str:
    """Return a first pack recipe for the instruments in the folders of a folder.

    base : the folder that the recipe will lie in.

    Raises
    ------
    InputError
        There is no instrument.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder.")
    found = []
    for place in sorted(path for path in folder.iterdir() if path.is_dir()):
        files = _sfz_files(place)
        for file in files:
            manifest = manifest_beside(file)
            name = file.stem if manifest is None else manifest.name
            named = place if len(files) == 1 else file
            found.append((Path(os.path.relpath(named, base)).as_posix(), name))
    if not found:
        raise InputError(f"{folder}: holds no folder with an instrument (an .sfz file).")
    return starting_pack_recipe(folder.resolve().name, date.today().year, found)


def ready_instruments(
    declared: Sequence[DeclaredInstrument], built: Sequence[BuiltFolder], around: Surroundings
) -> tuple[ReadyInstrument, ...]:
    """Return the instruments of some built folders, with all that was found out about them."""
    folders = [one.folder for one in built]
    read = [
        ready_instrument(folder, one, "") for folder, one in zip(folders, declared, strict=True)
    ]
    names = folder_names([one.name for one in read])
    return tuple(
        judged(replace(one, folder_name=name), folder, around)
        for one, name, folder in zip(read, names, folders, strict=True)
    )


def judged(instrument: ReadyInstrument, folder: Path, around: Surroundings) -> ReadyInstrument:
    """Return an instrument with the verdicts of audit and proof and its samples' loudness."""
    findings, proof = judgement(instrument, folder, around)
    return replace(
        instrument,
        findings=(
            *format_findings(instrument),
            *manifest_findings(instrument),
            *findings,
        ),
        proof=proof,
        loudness=sample_loudness(tuple(instrument.infos), around),
    )


def judgement(
    instrument: ReadyInstrument, folder: Path, around: Surroundings
) -> tuple[list[PackFinding], str]:
    """Return what audit and proof of an instrument found, and the verdict of the proof.

    Limits are the usual ones, whatever a recipe moved them to, and joins are heard, whatever a
    manifest says of them: what a buyer has to put up with
    stands in a waiver, with its reason. What packing itself mends is nothing to put up with, nor
    are samples of other instruments in the folder of one that is given by its file.
    """
    findings: list[PackFinding] = []
    settings = AuditSettings(
        as_one=True, cache=around.cache, workers=around.pool.count, progress=around.progress
    )
    for audited in audit_path(folder, settings):
        lasting = (
            one
            for one in audited.judgement.findings
            if not is_mended(one, instrument.reading.problems)
            and not (one.rule == "file-unused" and folder.is_file())
        )
        findings += audit_findings(instrument.name, lasting)
    how = ProofSettings(limits=ProofLimits(), believes_manifest=False, progress=around.progress)
    proof = prove_instrument(instrument.sfz, how, around.pool)
    findings += proof_findings(instrument.name, proof.findings)
    return findings, proof.verdict


def sample_loudness(paths: Sequence[Path], around: Surroundings) -> dict[Path, Loudness]:
    """Return the loudness of every sample."""
    results = around.pool.run(_loudness, paths)
    measured = followed(results, "Loudness", len(paths), around.progress)
    return dict(zip(paths, measured, strict=True))


def _loudness(path: Path) -> Loudness:
    audio = read_audio(path)
    return measured_loudness(audio.samples, audio.info.rate)
