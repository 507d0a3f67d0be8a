"""`keymapper pack`: from instruments to a pack fit to sell, and a look at one afterwards."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from keymapper.cli.options import CACHE_MB, CacheSize, Force, Processes, ResultAsJson, VerdictOnly

if TYPE_CHECKING:
    from keymapper.pipeline.packing import EditionResult, PackResult, PackSettings, VerifiedPack


def pack(
    recipe: Annotated[
        Path | None,
        typer.Argument(metavar="PACK.toml", help="The pack recipe: what is in it, whose it is."),
    ] = None,
    verify: Annotated[
        Path | None,
        typer.Option(metavar="ARCHIVE|DIR", help="Check a pack as a buyer would receive it."),
    ] = None,
    write_recipe: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Start a pack recipe from a folder of instruments."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for the archives; with --write-recipe, the recipe.  "
            "[default: named after the pack; PACK.toml in FOLDER]"
        ),
    ] = None,
    force: Force = False,
    cache_mb: CacheSize = CACHE_MB,
    workers: Processes = None,
    json: ResultAsJson = False,
    quiet: VerdictOnly = False,
) -> None:
    """Make a pack fit to sell: checked, levelled, documented, labelled, in one archive an edition.

    Errors stop it, and warnings that are neither mended nor waived with a reason (exit code 1).
    Records what the maker declares about rights; gives no legal advice.
    """
    from keymapper.errors import UsageError

    if sum(one is not None for one in (recipe, verify, write_recipe)) != 1:
        raise UsageError("name a pack recipe, or use --verify or --write-recipe.")
    if write_recipe is not None:
        _start_recipe(write_recipe, out, force=force)
        return
    from keymapper.auditing.cache import open_cache
    from keymapper.cli.printing import shown_progress
    from keymapper.pipeline.packing import PackSettings

    with shown_progress(quiet=quiet or json) as progress:
        settings = PackSettings(
            workers=workers, replace=force, cache=open_cache(None, cache_mb), progress=progress
        )
        if verify is not None:
            fails = _verify(verify, settings, json=json, quiet=quiet)
        elif recipe is not None:
            fails = _make(recipe, out, settings, json=json, quiet=quiet)
    if fails:
        raise typer.Exit(1)


def _make(
    recipe: Path, out: Path | None, settings: PackSettings, *, json: bool, quiet: bool
) -> bool:
    """Make a pack; return whether findings stopped it."""
    from keymapper.cli.printing import print_json
    from keymapper.formats.pack_recipe import read_pack_recipe
    from keymapper.pipeline.packing import default_pack_target, make_pack

    declared = read_pack_recipe(recipe)
    target = out or default_pack_target(declared)
    result = make_pack(declared, recipe.parent, target, settings)
    if json:
        print_json({"folder": str(target), "result": result})
    else:
        _print_made(result, target, quiet=quiet)
    return not result.editions


def _verify(path: Path, settings: PackSettings, *, json: bool, quiet: bool) -> bool:
    """Verify a pack; return whether anything stands against it."""
    from keymapper.cli.printing import print_json
    from keymapper.packing.findings import stopping
    from keymapper.pipeline.packing import verify_pack

    verified = verify_pack(path, settings)
    if json:
        print_json({"pack": str(path), "result": verified})
    else:
        _print_verified(verified, path, quiet=quiet)
    return bool(stopping(verified.findings))


def _start_recipe(folder: Path, out: Path | None, *, force: bool) -> None:
    from keymapper.errors import OutputError
    from keymapper.exporting.publish import write_text
    from keymapper.pipeline.packing import first_pack_recipe
    from keymapper.reporting.plain import one_line

    target = out or folder / "PACK.toml"
    if target.exists() and not force:
        raise OutputError(f"{target}: exists already; add --force to replace it.")
    write_text(target, first_pack_recipe(folder, target.parent))
    typer.echo(f"Pack recipe: {one_line(str(target))}")


def _print_made(result: PackResult, target: Path, *, quiet: bool) -> None:
    from keymapper.cli.printing import output_console
    from keymapper.packing.rights import RIGHTS_NOTE
    from keymapper.packing.summary import finding_lines, verdict
    from keymapper.reporting.plain import one_line

    console = output_console()
    if not quiet:
        for line in finding_lines(result.findings):
            console.print(one_line(line), soft_wrap=True)
        if result.editions:
            for before, after in result.editions[0].manifest.renamed:
                console.print(one_line(f"renamed  {before} to {after}"), soft_wrap=True)
            _print_editions(result.editions)
        console.print(RIGHTS_NOTE, soft_wrap=True)
    console.print(f"Gate: {verdict(result.findings)}.", soft_wrap=True)
    made = f"Pack: {one_line(str(target))}" if result.editions else "No pack was made."
    console.print(made, soft_wrap=True)


def _print_editions(editions: tuple[EditionResult, ...]) -> None:
    from rich.table import Table

    from keymapper.cli.printing import output_console
    from keymapper.packing.booklet import megabytes
    from keymapper.packing.summary import BALANCE_HEADS, balance_rows
    from keymapper.reporting.plain import one_line

    console = output_console()
    table = Table(*BALANCE_HEADS, box=None, pad_edge=False)
    for row in balance_rows(editions[0].manifest):
        table.add_row(*map(one_line, row))
    console.print(table)
    console.print()
    for one in editions:
        samples = sum(packed.facts.file_bytes for packed in one.manifest.instruments)
        memory = sum(packed.facts.memory_bytes for packed in one.manifest.instruments)
        console.print(
            f"{one.archive}: {megabytes(one.size)}, samples {megabytes(samples)}, "
            f"{megabytes(memory)} in memory, {len(one.manifest.files)} files",
            soft_wrap=True,
        )


def _print_verified(verified: VerifiedPack, path: Path, *, quiet: bool) -> None:
    from keymapper.cli.printing import output_console
    from keymapper.packing.summary import finding_lines, verdict
    from keymapper.reporting.plain import one_line

    console = output_console()
    if not quiet:
        for line in finding_lines(verified.findings):
            console.print(one_line(line), soft_wrap=True)
    about = "" if verified.manifest is None else f"{verified.manifest.title}, "
    words = f"{path}: {about}{verified.files} files: {verdict(verified.findings)}."
    console.print(one_line(words), soft_wrap=True)
