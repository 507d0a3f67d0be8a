"""One file a command: parse, call, print. The only place that prints and exits."""

from __future__ import annotations

import atexit
import gc
import os
import signal
import sys
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from keymapper.cli.audit import audit
from keymapper.cli.build import build
from keymapper.cli.loop import loop
from keymapper.cli.measure import measure
from keymapper.cli.pack import pack
from keymapper.cli.plan import plan
from keymapper.cli.prove import prove
from keymapper.cli.slice import slice_take
from keymapper.errors import InputError, KeymapperError
from keymapper.reporting.plain import one_line
from keymapper.workers import ENDING_SIGNALS

EXIT_BUG = 70
EXIT_OF_SIGNAL = 128
EXIT_CLOSED_PIPE = 141
"""What SIGPIPE gives: neither clean nor findings, for not all was told."""
SHOWN_AROUND = 80
"""Characters of a text that cannot be written: it may be a whole page."""
COLLECT_EVERY = 10_000
"""New objects. What a command loads stays, and what it measures makes no cycles."""


class Ended(KeyboardInterrupt):
    """The process was asked to end: undone like Ctrl-C, told by the exit code."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


class ErrorsAsLines(TyperGroup):
    """Turns every error into one line and an exit code (see `keymapper.errors`)."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except KeymapperError as error:
            _complain(str(error))
            raise SystemExit(error.exit_code) from None
        except KeyboardInterrupt as interrupt:
            _complain("interrupted; nothing was changed.")
            number = interrupt.number if isinstance(interrupt, Ended) else signal.SIGINT
            raise SystemExit(EXIT_OF_SIGNAL + number) from None
        except BrokenPipeError:  # whoever reads what we print has seen enough
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise SystemExit(EXIT_CLOSED_PIPE) from None
        except OSError as error:
            _complain(f"{error.filename or 'the system'}: {error.strerror or error}.")
            raise SystemExit(5) from None


def _complain(message: str) -> None:
    typer.echo(f"keymapper: {one_line(message)}", err=True)


app = typer.Typer(
    name="keymapper",
    cls=ErrorsAsLines,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        from keymapper import __version__

        typer.echo(f"keymapper {__version__}")
        raise typer.Exit


@app.callback()
def keymapper(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Turn recorded synth notes into a playable, in-tune, well-looped instrument.

    Exit codes: 0 clean, 1 findings, 2 usage, 3 input, 4 could not be measured, 5 output,
    70 our bug, 130 interrupted (129 hung up, 143 terminated), 141 output closed.
    """


for name, command in (
    ("plan", plan),
    ("slice", slice_take),
    ("measure", measure),
    ("build", build),
    ("prove", prove),
    ("loop", loop),
    ("audit", audit),
    ("pack", pack),
):
    app.command(name)(command)


def _heed_signals() -> None:
    """Have SIGTERM and SIGHUP end the command as Ctrl-C does, but for what `nohup` ignores."""
    for number in ENDING_SIGNALS:
        if signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, _end)


def _end(number: int, _frame: object) -> None:
    """Clean up once: a terminal that goes sends one signal after the other."""
    for one in ENDING_SIGNALS:
        signal.signal(one, signal.SIG_IGN)
    raise Ended(number)


def _spare_the_collector() -> None:
    """Do not look through all that was loaded for garbage, again and again and at the end."""
    gc.set_threshold(COLLECT_EVERY)
    atexit.register(gc.freeze)


def main() -> None:
    """Run the command line."""
    _heed_signals()
    _spare_the_collector()
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        app()
    except Exception as error:  # the last resort: a bug of ours, told in one line
        if os.environ.get("KEYMAPPER_DEBUG"):
            raise
        if isinstance(error, UnicodeEncodeError) and error.reason == "surrogates not allowed":
            # Python's way to carry the bytes of a name that is no UTF-8: nothing can be named so.
            around = error.object[max(0, error.start - SHOWN_AROUND) : error.end + SHOWN_AROUND]
            _complain(f"{around!r} is not valid text; rename it in UTF-8.")
            sys.exit(InputError.exit_code)
        _complain(
            f"a bug of ours ({type(error).__name__}: {error}); "
            "run again with KEYMAPPER_DEBUG=1 and report what it prints."
        )
        sys.exit(EXIT_BUG)
