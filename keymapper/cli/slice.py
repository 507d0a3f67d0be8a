"""`keymapper slice`: one file a note from one or more long takes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from keymapper.cli.options import ErrorsOnly, Force

if TYPE_CHECKING:
    from keymapper.model.session import CutReport

_MOST_MISSING_NAMED = 8


def slice_take(
    takes: Annotated[
        list[Path],
        typer.Argument(
            metavar="TAKE...",
            help="Recordings of the session; a later one replaces the notes of an earlier one.",
        ),
    ],
    out: Annotated[Path, typer.Option(help="Folder for the notes and notes.json.")],
    session: Annotated[
        Path | None, typer.Option(help="The session.json that was played.", show_default=False)
    ] = None,
    midi: Annotated[
        Path | None, typer.Option(help="The MIDI file that was played.", show_default=False)
    ] = None,
    starts: Annotated[
        float | None,
        typer.Option(
            help="Seconds into the take at which the first planned note begins, about, where the "
            "sound does not tell.",
            show_default=False,
        ),
    ] = None,
    force: Force = False,
    json: Annotated[bool, typer.Option("--json", help="Print notes.json as well.")] = False,
    quiet: ErrorsOnly = False,
) -> None:
    """Cut long takes into one file a note.

    With a plan the take is lined up with it, and notes are named by it; without one they are
    found and named by their sound. The copies are bit for bit what was recorded.
    """
    from keymapper.cli.printing import shown_progress
    from keymapper.cutting import cut_takes, read_plan, write_notes
    from keymapper.errors import UsageError
    from keymapper.formats.notes_file import notes_json

    if session is not None and midi is not None:
        raise UsageError("--session and --midi both name a plan; give one.")
    path = session or midi
    if starts is not None and (path is None or len(takes) > 1):
        raise UsageError("--starts says where one take lies in its plan; give both, and one take.")
    plan = read_plan(path) if path is not None else None
    with shown_progress(quiet=quiet or json) as progress:
        report = cut_takes(takes, plan.sheet if plan else None, progress, starts)
        write_notes(report, takes, out, replace=force, progress=progress)
    if json:
        typer.echo(notes_json(report).decode("utf-8"), nl=False)
    elif not quiet:
        for remark in plan.remarks if plan else ():
            typer.echo(f"{path}: {remark}")
        _print_report(report, out)


def _print_report(report: CutReport, out: Path) -> None:
    from keymapper.planning.cue_sheet import clock_time

    for take in report.takes:
        if take.latency_seconds is not None and take.drift_ppm is not None:
            typer.echo(
                f"{take.file}: latency {take.latency_seconds:.4f} s, "
                f"drift {take.drift_ppm:+.1f} ppm, "
                f"{take.onsets_matched} of {take.onsets_found} onsets are planned notes, "
                f"noise floor {take.noise_floor_dbfs:.0f} dBFS"
            )
        if take.missing_frames:
            typer.echo(f"{take.file}: truncated; {take.missing_frames} frames are not there.")
        for remark in take.remarks:
            typer.echo(f"{take.file}: {remark}.")
    doubtful = [note for note in report.notes if note.doubtful]
    for note in doubtful:
        place = "" if note.plan_index is None else f"note {note.plan_index}, "
        at = clock_time(note.onset_seconds)
        typer.echo(f"look at {note.file} ({place}{at}): {'; '.join(note.doubtful)}")
    if report.missing:
        files = report.missing_files if len(report.missing_files) <= _MOST_MISSING_NAMED else ()
        named = f" ({', '.join(files)})" if files else ""
        typer.echo(f"missing: plan {_ranges(report.missing)}{named}")
    typer.echo(
        f"{len(report.notes)} notes, {len(report.missing)} missing, {len(report.extra)} extra, "
        f"{len(doubtful)} to look at."
    )
    typer.echo(f"Notes: {out}")


def _ranges(numbers: tuple[int, ...]) -> str:
    """Return rising numbers as text, runs shortened: 3, 7-9."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]}-{r[-1]}" for r in runs)
