"""`keymapper build`: a playable instrument from a folder of recorded notes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from keymapper.cli.groups import with_groups
from keymapper.cli.options import Decisions, ErrorsOnly, Force, Processes, Reference, ResultAsJson

if TYPE_CHECKING:
    from keymapper.model.instrument import Manifest
    from keymapper.model.proof import Proof
    from keymapper.model.recipe import Recipe
    from keymapper.pipeline import BuildSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipeChoices:
    """Options that count in place of what the recipe says."""

    loops: Annotated[
        Literal["long", "short", "none"] | None,
        typer.Option(help="How sustaining notes are looped."),
    ] = None
    sample_format: Annotated[
        Literal["wav", "flac"] | None,
        typer.Option("--format", help="Format of the samples."),
    ] = None
    bits: Annotated[Literal["16", "24"] | None, typer.Option(help="Bits of a sample.")] = None
    rate: Annotated[
        int | None, typer.Option(help="Resample to this rate in Hz.", show_default=False)
    ] = None
    reference: Reference = None
    bake_tuning: Annotated[
        bool,
        typer.Option(
            "--bake-tuning", help="Tune by resampling, in place of whole cents in the SFZ."
        ),
    ] = False
    budget: Annotated[
        str | None,
        typer.Option(
            metavar="SIZE",
            help='Largest size of the decoded samples, for example "32MB"; what is heard least '
            "is given up.",
        ),
    ] = None
    max_notes: Annotated[
        int | None, typer.Option(min=1, help="Keep at most so many of the recorded notes.")
    ] = None

    def entries(self) -> dict[str, Any]:
        """Return them as the tables of a recipe; None where nothing is chosen."""
        bits = int(self.bits) if self.bits else None
        return {
            "loops": {"mode": self.loops},
            "reference_hz": self.reference,
            "tuning": {"bake": self.bake_tuning or None},
            "budget": {"size": self.budget, "max_notes": self.max_notes},
            "samples": {"format": self.sample_format, "bits": bits, "rate": self.rate},
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOptions:
    """How a build runs, and what it writes beside the instrument."""

    export: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Also write this format, of an installed exporter."),
    ] = None
    prove: Annotated[
        bool, typer.Option("--proof/--no-proof", help="Play what was written and measure it.")
    ] = True
    page: Annotated[
        bool, typer.Option("--page/--no-page", help="Write report.html to see and hear it.")
    ] = True
    force: Force = False
    write_recipe: Annotated[
        bool, typer.Option("--write-recipe", help="Also write a recipe of what was found.")
    ] = False
    workers: Processes = None


@with_groups
def build(
    sources: Annotated[
        list[Path],
        typer.Argument(
            metavar="FOLDER|TAKE...",
            help="Folder of recorded notes, one note a file; with --session, the takes of it.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for the instrument; an earlier one is replaced with --force, all but its "
            "recipe.  [default: FOLDER's name + -instrument]"
        ),
    ] = None,
    session: Annotated[
        Path | None,
        typer.Option(help="Session sheet (or MIDI file) that the takes were played from."),
    ] = None,
    recipe: Decisions = None,
    choices: RecipeChoices = RecipeChoices(),
    running: RunOptions = RunOptions(),
    json: ResultAsJson = False,
    quiet: ErrorsOnly = False,
) -> None:
    """Build a playable instrument from a folder of recorded notes.

    Every note's pitch, levels and loop are measured from its sound; names are hints. Writes
    NAME.sfz, manifest.json and samples/. Turn your volume down before you first play it.
    """
    from keymapper.cli.printing import shown_progress
    from keymapper.errors import UsageError
    from keymapper.formats.folder import RECIPE_NAME
    from keymapper.formats.recipe import recipe_with
    from keymapper.formats.scala import recipe_targets
    from keymapper.pipeline import BuildSettings, default_target

    if session is None and len(sources) > 1:
        raise UsageError("name one folder; several takes go with --session.")
    decisions = recipe_with(chosen_recipe(sources[0], recipe), choices.entries())
    targets = recipe_targets(decisions, recipe or sources[0] / RECIPE_NAME)
    target = out or default_target(sources[0])
    kept = (target / RECIPE_NAME).is_file()
    with shown_progress(quiet=quiet or json) as progress:
        settings = BuildSettings(
            workers=running.workers,
            replace=running.force,
            progress=progress,
            targets_cents=targets,
            formats=tuple(running.export or ()),
            prove=running.prove,
            page=running.page,
            write_recipe=running.write_recipe,
        )
        manifest = _built(sources, session, target, decisions, settings)
    _print_result(manifest, target, json=json, quiet=quiet)
    if (kept or running.write_recipe) and not (json or quiet):
        typer.echo(
            _recipe_line(target / RECIPE_NAME, recipe, kept=kept, wanted=running.write_recipe)
        )


def _recipe_line(written: Path, used: Path | None, *, kept: bool, wanted: bool) -> str:
    """Return what became of the recipe beside the instrument, and what it is good for."""
    from keymapper.reporting.plain import one_line

    place = one_line(str(written))
    if not kept:
        return f"Recipe: {place}; correct it and build again with --recipe {place}"
    own = used is not None and used.resolve() == written.resolve()
    how = "is kept as it was" if own else f"is kept, unused; --recipe {place} builds by it"
    return f"Recipe: {place} {how}{'; move it away to get a new one' if wanted else ''}"


def _built(
    sources: list[Path],
    session: Path | None,
    target: Path,
    recipe: Recipe,
    settings: BuildSettings,
) -> Manifest:
    from keymapper.pipeline import build_from_takes, build_instrument

    if session is None:
        return build_instrument(sources[0], target, recipe, settings)
    from keymapper.cutting import read_plan

    return build_from_takes(sources, read_plan(session).sheet, target, recipe, settings)


def chosen_recipe(folder: Path, recipe: Path | None) -> Recipe:
    """Return the recipe named, else the one lying in the folder, else the defaults."""
    from keymapper.formats.folder import RECIPE_NAME
    from keymapper.formats.recipe import read_recipe
    from keymapper.model.recipe import Recipe

    if recipe is None and not (folder / RECIPE_NAME).is_file():
        return Recipe()
    return read_recipe(recipe or folder / RECIPE_NAME)


def _print_result(manifest: Manifest, target: Path, *, json: bool, quiet: bool) -> None:
    from keymapper.cli.printing import output_console, print_json
    from keymapper.reporting.instrument_text import (
        instrument_data,
        instrument_notices,
        zone_table,
    )

    proof = _proof_in(target)
    if json:
        print_json(instrument_data(manifest, proof, str(target)))
        return
    if quiet:
        return
    console = output_console()
    for notice in instrument_notices(manifest):
        console.print(notice)
    if any(True for _ in instrument_notices(manifest)):
        console.print()
    console.print(zone_table(manifest))
    console.print()
    for line in summary_lines(manifest, proof, target):
        console.print(line)


def _proof_in(target: Path) -> Proof | None:
    from keymapper.pipeline import PROOF_NAME
    from keymapper.proving.proof_file import read_proof

    path = target / PROOF_NAME
    return read_proof(path) if path.is_file() else None


def summary_lines(manifest: Manifest, proof: Proof | None, target: Path) -> list[str]:
    """Return what was built, how its proof went, and where it lies."""
    from keymapper.proving.summary import finding_lines
    from keymapper.reporting.plain import one_line

    looped = sum(zone.loop is not None for zone in manifest.zones)
    counts = (
        f"{len(manifest.zones)} zones, {looped} looped, {len(manifest.doubts)} to look at, "
        f"{len(manifest.skipped)} files skipped."
    )
    joins = [note.sample.join for note in manifest.notes if note.sample.join is not None]
    heard = sum(join.worst_db > 0 for join in joins)  # the short proof leaves joins out
    beside = f" Joins that may be heard: {heard}." if heard else ""
    proved = [] if proof is None else [*finding_lines(proof, 3), f"Proof: {proof.verdict}{beside}"]
    return [counts, *proved, f"Instrument: {one_line(str(target))}"]
