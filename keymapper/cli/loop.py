"""`keymapper loop`: loops put into copies of samples, and nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from keymapper.cli.options import ErrorsOnly, Force, Processes, ResultAsJson

if TYPE_CHECKING:
    from keymapper.pipeline.loop import LoopedFile, LoopedFiles

DEFAULT_OUT = Path("looped")


def loop(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="WAV files, one note each.")
    ],
    out: Annotated[Path, typer.Option(help="Folder for the copies.")] = DEFAULT_OUT,
    loops: Annotated[
        Literal["long", "short"],
        typer.Option(help="A long loop that lives, or a short one where memory counts."),
    ] = "long",
    seconds: Annotated[
        float | None, typer.Option(help="About how long the loops are to be.", show_default=False)
    ] = None,
    force: Force = False,
    workers: Processes = None,
    json: ResultAsJson = False,
    quiet: ErrorsOnly = False,
) -> None:
    """Put a seamless loop into copies of WAV files.

    Each copy differs from its file in the crossfade at the loop's end and in the `smpl` chunk;
    all else is the same, bit for bit. A note that must not loop is copied as it is.
    """
    from keymapper.cli.printing import print_json, shown_progress
    from keymapper.errors import UsageError
    from keymapper.model.loop import LoopOptions
    from keymapper.pipeline.loop import loop_files
    from keymapper.reporting.plain import one_line

    if seconds is not None and not (seconds > 0 and loops == "long"):
        raise UsageError("--seconds must be above 0 and goes with long loops.")
    with shown_progress(quiet=quiet or json) as progress:
        result = loop_files(
            files,
            out,
            LoopOptions(mode=loops, length_seconds=seconds),
            replace_target=force,
            workers=workers,
            progress=progress,
        )
    for skipped in result.skipped:
        typer.echo(f"skipped  {one_line(skipped.file)}: {one_line(skipped.reason)}", err=True)
    if json:
        print_json(result)
    elif not quiet:
        _print_lines(result, out)


def _print_lines(result: LoopedFiles, out: Path) -> None:
    from keymapper.reporting.plain import one_line

    width = max(len(one_line(one.file)) for one in result.looped)
    for one in result.looped:
        typer.echo(f"{one_line(one.file):{width}}  {_told(one)}")
    looped = sum(one.join is not None for one in result.looped)
    heard = sum(one.join is not None and one.join.worst_db > 0 for one in result.looped)
    typer.echo(
        f"{looped} looped, {heard} to listen to, {len(result.looped) - looped} copied as they are, "
        f"{len(result.skipped)} skipped."
    )
    typer.echo(f"Copies: {out}")


def _told(one: LoopedFile) -> str:
    loop = one.verdict.loop
    if loop is None or one.join is None:
        return f"no loop: {one.verdict.reason}"
    text = (
        f"{loop.start_frame}..{loop.end_frame - 1}  {loop.length_frames / one.rate:.3f} s  "
        f"join {one.join.worst_db:+.1f} dB"
    )
    if one.join.worst_db > 0:
        return f"{text}  may be heard; {one.verdict.advice or 'record 2 s more of sustain'}"
    return text
