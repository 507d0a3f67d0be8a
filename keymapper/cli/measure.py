"""`keymapper measure`: the measurements alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from keymapper.cli.options import Decisions, ErrorsOnly, Processes, Reference

if TYPE_CHECKING:
    from keymapper.pipeline import MeasuredFolder
    from keymapper.reporting.measurements import Row


def measure(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder of recorded notes, one note a file.")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Write to this file (.csv or .json) instead.")
    ] = None,
    recipe: Decisions = None,
    reference: Reference = None,
    plot: Annotated[
        Path | None,
        typer.Option(help="Draw tuning and level by key into this file (.svg or .png)."),
    ] = None,
    workers: Processes = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print CSV.")] = False,
    quiet: ErrorsOnly = False,
) -> None:
    """Measure every note in a folder: key, cents, course, levels, loop. Writes no audio."""
    from keymapper.cli.build import chosen_recipe
    from keymapper.cli.printing import shown_progress
    from keymapper.errors import UsageError
    from keymapper.formats.recipe import recipe_with
    from keymapper.pipeline import measure_folder
    from keymapper.reporting.measurements import measurement_rows

    if out is not None and out.suffix.lower() not in (".csv", ".json"):
        raise UsageError(f"{out}: name a file that ends in .csv or .json.")
    if plot is not None and plot.suffix.lower() not in (".svg", ".png"):
        raise UsageError(f"{plot}: name a file that ends in .svg or .png.")
    decisions = recipe_with(chosen_recipe(folder, recipe), {"reference_hz": reference})
    with shown_progress(quiet=quiet or json or csv) as progress:
        measured = measure_folder(folder, decisions, workers=workers, progress=progress)
    if plot is not None:
        _draw(measured, folder.resolve().name, plot)
    rows = measurement_rows(measured.recordings)
    if not quiet:
        _complain_of_skipped(measured)
    if out is not None:
        _write(rows, out)
    elif json or csv:
        typer.echo(_text(rows, csv=csv), nl=False)
    elif not quiet:
        _print_table(rows)


def _text(rows: list[Row], *, csv: bool) -> str:
    from keymapper.formats.manifest import pretty_json
    from keymapper.reporting.measurements import rows_as_csv

    return rows_as_csv(rows) if csv else pretty_json(rows)


def _write(rows: list[Row], out: Path) -> None:
    from keymapper.exporting.publish import write_text

    write_text(out, _text(rows, csv=out.suffix.lower() == ".csv"))


def _draw(measured: MeasuredFolder, title: str, plot: Path) -> None:
    from keymapper.exporting.publish import write_bytes, write_text
    from keymapper.reporting.plots import measurements_svg, png_of

    drawing = measurements_svg(measured.recordings, title)
    if plot.suffix.lower() == ".svg":
        write_text(plot, drawing)
    else:
        write_bytes(plot, png_of(drawing))


def _complain_of_skipped(measured: MeasuredFolder) -> None:
    from keymapper.reporting.plain import one_line

    for skipped in measured.skipped:
        typer.echo(f"skipped  {one_line(skipped.file)}: {one_line(skipped.reason)}", err=True)


def _print_table(rows: list[Row]) -> None:
    from keymapper.cli.printing import output_console
    from keymapper.reporting.measurement_table import measurement_table

    output_console().print(measurement_table(rows))
