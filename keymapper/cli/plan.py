"""`keymapper plan`: a session sheet and a MIDI file for recording a patch."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from keymapper.cli.groups import with_groups
from keymapper.cli.options import ErrorsOnly

if TYPE_CHECKING:
    from keymapper.model.session import SessionSettings, SessionSheet

SHEET_NAME = "session.json"
MIDI_NAME = "session.mid"
CUES_NAME = "cues.txt"

_WHOLE = re.compile(r"-?\d{1,9}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionChoices:
    """Options that count in place of what the `[session]` table says."""

    name: Annotated[str | None, typer.Option(help="Name of the session.")] = None
    lowest_key: Annotated[
        str | None, typer.Option(help="Number, or name with 60 as C4.  [default: C2]")
    ] = None
    highest_key: Annotated[str | None, typer.Option(help="[default: C7]", show_default=False)] = (
        None
    )
    every: Annotated[int | None, typer.Option(help="Semitones from key to key.  [default: 3]")] = (
        None
    )
    keys: Annotated[
        str | None, typer.Option(help="Keys in place of the range: C2,E2,60", show_default=False)
    ] = None
    velocities: Annotated[
        str | None, typer.Option(help="Velocity layers: 40,80,120  [default: 100]")
    ] = None
    repeats: Annotated[int | None, typer.Option(help="Times each is played.  [default: 1]")] = None
    hold: Annotated[float | None, typer.Option(help="Seconds a key is held.  [default: 3]")] = None
    release: Annotated[
        float | None, typer.Option(help="Seconds left for the release.  [default: 1.5]")
    ] = None
    pause: Annotated[
        float | None, typer.Option(help="Seconds of silence after it.  [default: 0.25]")
    ] = None
    order: Annotated[
        Literal["upwards", "shuffled"] | None, typer.Option(help="[default: upwards]")
    ] = None
    seed: Annotated[int | None, typer.Option(help="Of the shuffle.  [default: 1]")] = None
    reference_every: Annotated[
        float | None, typer.Option(help="Seconds between reference notes.  [default: none]")
    ] = None
    mono: Annotated[bool, typer.Option("--mono", help="The patch plays one note at a time.")] = (
        False
    )
    channel: Annotated[int | None, typer.Option(help="MIDI channel.  [default: 1]")] = None
    transpose: Annotated[
        int | None, typer.Option(help="Semitones added to what is sent.  [default: 0]")
    ] = None

    def entries(self) -> dict[str, Any]:
        """Return those that were given, as entries of the table."""
        entries = {
            "name": self.name,
            "lowest_key": _key(self.lowest_key),
            "highest_key": _key(self.highest_key),
            "every": self.every,
            "keys": _keys(self.keys),
            "velocities": _numbers(self.velocities, "--velocities"),
            "repeats": self.repeats,
            "hold_seconds": self.hold,
            "release_seconds": self.release,
            "pause_seconds": self.pause,
            "order": self.order,
            "seed": self.seed,
            "reference_every_seconds": self.reference_every,
            "mono": self.mono or None,
            "channel": self.channel,
            "transpose": self.transpose,
        }
        return {name: entry for name, entry in entries.items() if entry is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFormat:
    """What the take will be recorded with."""

    rate: Annotated[int, typer.Option(min=8000, help="Hz, for the disk estimate.")] = 48_000
    bits: Annotated[Literal["16", "24", "32"], typer.Option(help="For the estimate.")] = "24"
    channels: Annotated[int, typer.Option(min=1, help="For the estimate.")] = 2


@with_groups
def plan(
    recipe: Annotated[
        Path | None,
        typer.Argument(metavar="[RECIPE]", help="A recipe with a [session] table."),
    ] = None,
    out: Annotated[
        Path, typer.Option(help="Folder for session.json, session.mid and cues.txt.")
    ] = Path("session"),
    chosen: SessionChoices = SessionChoices(),
    take: TakeFormat = TakeFormat(),
    force: Annotated[bool, typer.Option("--force", help="Replace an existing plan.")] = False,
    quiet: ErrorsOnly = False,
) -> None:
    """Plan a recording session: what to play and when, as a sheet and as a MIDI file.

    Play session.mid at the synth and record one long take; `keymapper slice` cuts it. Whatever is
    not given comes from the [session] table of the recipe, else from the defaults.
    """
    from keymapper.planning.cue_sheet import clock_time, cue_sheet, take_bytes
    from keymapper.planning.sheet import plan_session

    sheet = plan_session(_settings(recipe, chosen))
    _write(sheet, out, replace=force)
    if quiet:
        return
    size = take_bytes(sheet.duration_seconds, take.rate, int(take.bits), take.channels)
    format_text = f"{take.rate} Hz, {take.bits} bits, {take.channels} channels"
    typer.echo(cue_sheet(sheet))
    typer.echo(f"{_counts(sheet)}; the session takes {clock_time(sheet.duration_seconds)}.")
    typer.echo(f"A take at {format_text} fills {size / 1e6:.1f} MB.")
    typer.echo(f"Plan: {out / SHEET_NAME}, {MIDI_NAME}, {CUES_NAME}")


def _settings(recipe: Path | None, chosen: SessionChoices) -> SessionSettings:
    from keymapper.formats.session_sheet import read_session_table
    from keymapper.formats.toml_tables import table_to
    from keymapper.model.session import SessionSettings

    table = {} if recipe is None else read_session_table(recipe)
    where = "the options" if recipe is None else f"{recipe} [session]"
    return table_to(SessionSettings, table | chosen.entries(), where)


def _write(sheet: SessionSheet, out: Path, *, replace: bool) -> None:
    from keymapper.exporting.publish import published_folder
    from keymapper.formats.midi_file import midi_bytes
    from keymapper.formats.session_sheet import session_sheet_json
    from keymapper.planning.cue_sheet import cue_sheet

    names = (SHEET_NAME, MIDI_NAME, CUES_NAME)
    with published_folder(out, replace=replace, earlier=lambda _: names) as to:
        (to / SHEET_NAME).write_bytes(session_sheet_json(sheet))
        (to / MIDI_NAME).write_bytes(midi_bytes(sheet))
        (to / CUES_NAME).write_text(cue_sheet(sheet), encoding="utf-8", newline="\n")


def _counts(sheet: SessionSheet) -> str:
    roles = [note.role for note in sheet.notes]
    parts = [f"{roles.count('note')} notes"]
    if roles.count("sync"):
        parts.append(f"{roles.count('sync')} of count-in")
    if roles.count("reference"):
        parts.append(f"{roles.count('reference')} of reference")
    return ", ".join(parts)


def _key(text: str | None) -> int | str | None:
    if text is None:
        return None
    text = text.strip()
    return int(text) if _WHOLE.fullmatch(text) else text


def _keys(text: str | None) -> list[int | str | None] | None:
    return None if text is None else [_key(one) for one in text.split(",") if one.strip()]


def _numbers(text: str | None, option: str) -> list[int] | None:
    from keymapper.errors import UsageError

    if text is None:
        return None
    words = [word.strip() for word in text.split(",") if word.strip()]
    for word in words:
        if not _WHOLE.fullmatch(word):
            raise UsageError(f"{option}: {word!r} is no whole number; write 40,80,120.")
    return [int(word) for word in words]
