"""`keymapper prove`: play a written instrument key by key and measure what comes out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from keymapper.cli.groups import with_groups
from keymapper.cli.options import ErrorsOnly, Processes

if TYPE_CHECKING:
    from keymapper.model.proof import Proof
    from keymapper.proving.hearing import TuningTarget
    from keymapper.workers import Workers


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayOptions:
    """What is played how, and against which reference."""

    short: Annotated[
        bool,
        typer.Option("--short", help="Play each zone at its lowest, root and highest key only."),
    ] = False
    seconds: Annotated[
        float, typer.Option(min=0.5, max=30.0, help="How long each key is held.")
    ] = 2.5
    reference: Annotated[
        float | None,
        typer.Option(
            min=300.0,
            max=600.0,
            help="Hz of A4, in equal temperament.  [default: what the manifest says]",
        ),
    ] = None
    pack: Annotated[
        Path | None,
        typer.Option(help="Folder that samples may lie in.  [default: that of the SFZ file]"),
    ] = None

    def target(self) -> TuningTarget | None:
        """Return what keys are meant to be; None for what the manifest says."""
        from keymapper.proving.hearing import TuningTarget

        return None if self.reference is None else TuningTarget(reference_hz=self.reference)


@with_groups
def prove(
    path: Annotated[
        Path, typer.Argument(metavar="INSTRUMENT_DIR|FILE.sfz", help="What is to be played.")
    ],
    play: Annotated[
        str | None,
        typer.Option(
            metavar="KEYS",
            help='Only play a phrase, for example "C3 E3 G3" or "C3+E3+G3", into a WAV file. '
            "Its peak is at most -6 dBFS; turn your volume down before you listen.",
        ),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", help="Where to write.  [default: proof.json or phrase.wav]"),
    ] = None,
    playing: PlayOptions = PlayOptions(),
    page: Annotated[
        bool,
        typer.Option(
            "--page/--no-page",
            help="Write report.html, the page to see and hear: into the instrument's folder "
            "where its manifest lies, else beside the proof.",
        ),
    ] = True,
    limit: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=VALUE", help="Move a limit, for example tuning_cents=5."),
    ] = None,
    fail_on: Annotated[
        Literal["error", "warning", "never"],
        typer.Option(help="Exit with 1 for findings as grave as this."),
    ] = "error",
    workers: Processes = None,
    json: Annotated[bool, typer.Option("--json", help="Print the proof as JSON.")] = False,
    quiet: ErrorsOnly = False,
) -> None:
    """Play a written instrument key by key and measure what comes out.

    Every key, velocity layer and round robin is played from the files on disk; pitch, level,
    delay, loop joins and clicks are measured. Writes proof.json. With --play it renders a phrase
    for listening instead: turn your volume down first.
    """
    if play is not None:
        _play(path, play, output or Path("phrase.wav"), playing.pack, quiet=quiet)
        return
    from keymapper.cli.printing import print_json, shown_progress
    from keymapper.model.finding import GRAVITY
    from keymapper.proving.proof import ProofSettings, prove_instrument
    from keymapper.proving.proof_file import proof_data, write_proof
    from keymapper.workers import Workers

    with shown_progress(quiet=quiet or json) as progress, Workers(workers) as pool:
        settings = ProofSettings(
            moved_limits=_moved_limits(limit or []),
            short=playing.short,
            target=playing.target(),
            hold_seconds=playing.seconds,
            pack_folder=playing.pack,
            progress=progress,
        )
        proof = prove_instrument(path, settings, pool)
        target = output or Path("proof.json")
        write_proof(proof, target)
        drawn = _page(path, proof, target.parent, pool) if page else None
    if json:
        print_json(proof_data(proof))
    elif not quiet:
        _print_proof(proof, target, drawn)
    if fail_on != "never" and any(
        GRAVITY[finding.severity] >= GRAVITY[fail_on] for finding in proof.findings
    ):
        raise typer.Exit(1)


def _page(path: Path, proof: Proof, folder: Path, pool: Workers) -> Path:
    from keymapper.proving.proof import sfz_file
    from keymapper.reporting.page import PAGE_NAME, write_proof_page

    return write_proof_page(sfz_file(path), proof, folder / PAGE_NAME, pool)


def _play(path: Path, keys: str, target: Path, pack: Path | None, *, quiet: bool) -> None:
    from keymapper.formats.sfz import read_sfz
    from keymapper.proving.phrase import play_phrase, write_phrase
    from keymapper.proving.proof import sfz_file

    phrase = play_phrase(read_sfz(sfz_file(path), pack_folder=pack), keys)
    write_phrase(phrase, target)
    if not quiet:
        seconds = len(phrase.samples) / phrase.rate
        typer.echo(
            f"{target}: {seconds:.1f} s, turned by {phrase.gain_db:+.1f} dB. "
            "Turn your volume down before you listen."
        )


def _moved_limits(texts: list[str]) -> dict[str, float]:
    from dataclasses import fields

    from keymapper.errors import UsageError
    from keymapper.model.proof import ProofLimits

    names = [field.name for field in fields(ProofLimits)]
    values = {}
    for text in texts:
        name, _, number = text.partition("=")
        if name not in names:
            raise UsageError(f"--limit {text}: no such limit; there are {', '.join(names)}.")
        try:
            values[name] = float(number)
        except ValueError:
            raise UsageError(f"--limit {text}: {number!r} is no number.") from None
    try:
        ProofLimits(**values)
    except ValueError as error:
        raise UsageError(f"--limit: {error}.") from None
    return values


def _print_proof(proof: Proof, target: Path, page: Path | None) -> None:
    from keymapper.cli.printing import output_console
    from keymapper.proving.summary import finding_lines, worst_lines
    from keymapper.reporting.plain import one_line

    console = output_console()
    for line in finding_lines(proof):
        console.print(one_line(line))
    if proof.findings:
        console.print()
    for line in worst_lines(proof):
        console.print(one_line(line))
    if proof.unplayed_opcodes:
        console.print(f"not played by this proof: {one_line(', '.join(proof.unplayed_opcodes))}")
    console.print()
    console.print(f"{one_line(proof.instrument)}: {proof.verdict}")
    console.print(f"Proof: {one_line(str(target))}")
    if page is not None:
        console.print(f"Page:  {one_line(str(page))}")
