"""Progress and tables on a terminal, quiet in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import msgspec
import typer
from rich import progress
from rich.console import Console

from keymapper.formats.manifest import pretty_json
from keymapper.progress import Progress

PIPE_WIDTH = 160


class OutputConsole(Console):
    """A console that leaves a closed pipe to the command line."""

    def on_broken_pipe(self) -> None:
        """Pass the error on, in place of an exit code that means findings."""
        raise BrokenPipeError


def print_json(data: object) -> None:
    """Print dataclasses or plain data as strict, indented JSON."""
    typer.echo(pretty_json(msgspec.to_builtins(data)), nl=False)


def output_console() -> Console:
    """Return the console of standard output; a pipe gets wide lines without colour."""
    return OutputConsole(
        width=None if sys.stdout.isatty() else PIPE_WIDTH, highlight=False, markup=False
    )


@contextmanager
def shown_progress(*, quiet: bool) -> Iterator[Progress]:
    """Yield a function that shows how far the work is, on standard error of a terminal only.

    It draws when it is called: a thread of its own would not survive starting workers.
    """
    console = Console(stderr=True)
    columns = (
        progress.TextColumn("{task.description:<10}"),
        progress.BarColumn(),
        progress.MofNCompleteColumn(),
        progress.TimeRemainingColumn(),
    )
    disable = quiet or not console.is_terminal
    with progress.Progress(
        *columns, console=console, transient=True, auto_refresh=False, disable=disable
    ) as bar:
        tasks: dict[str, int] = {}

        def show(what: str, done: int, count: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=count)
            bar.update(tasks[what], completed=done)  # type: ignore[arg-type]
            bar.refresh()

        yield show
