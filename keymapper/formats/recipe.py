"""Read `recipe.toml`, and write a first one from what was found."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec

from keymapper.errors import InputError, UsageError
from keymapper.formats.toml_tables import table_to
from keymapper.model.instrument import NoteRecord
from keymapper.model.keys import key_name, key_number
from keymapper.model.recipe import NoteCorrection, Recipe

FOREIGN_TABLES = frozenset({"audit", "session"})
"""Tables of the same file that other commands read."""


def read_recipe(path: Path) -> Recipe:
    """Return the decisions in a recipe file.

    Raises
    ------
    InputError
        There is no such file, or it is not TOML.
    UsageError
        It holds a key or value that is not known; the message names the nearest valid one.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: is not valid TOML ({error}).") from error
    own = {key: value for key, value in table.items() if key not in FOREIGN_TABLES}
    recipe = table_to(Recipe, own, str(path))
    for correction in recipe.note:
        _check(correction, path)
    return recipe


def recipe_with(recipe: Recipe, choices: Mapping[str, Any]) -> Recipe:
    """Return the recipe with choices of the command line put over it; None leaves a value alone.

    Raises
    ------
    UsageError
        A choice is not valid.
    """
    return table_to(Recipe, _merged(msgspec.to_builtins(recipe), choices), "the options")


def _merged(table: Mapping[str, Any], choices: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(table)
    for key, choice in choices.items():
        if isinstance(choice, Mapping):
            merged[key] = _merged(merged[key], choice)
        elif choice is not None:
            merged[key] = choice
    return merged


def _check(correction: NoteCorrection, path: Path) -> None:
    where = f"{path}: [[note]] {correction.file!r}"
    if isinstance(correction.root, str) and key_number(correction.root) is None:
        raise UsageError(f'{where}: root {correction.root!r} is no key; write "C#3" or 49.')
    if isinstance(correction.root, int) and not 0 <= correction.root <= 127:
        raise UsageError(f"{where}: root {correction.root} must lie in 0..127.")
    if correction.velocity is not None and not 1 <= correction.velocity <= 127:
        raise UsageError(f"{where}: velocity {correction.velocity} must lie in 1..127.")
    if correction.loop is True:
        raise UsageError(f"{where}: loop must be [first frame, end frame] or false.")
    if isinstance(correction.loop, tuple) and not 0 < correction.loop[0] < correction.loop[1]:
        raise UsageError(f"{where}: loop {list(correction.loop)} must be rising and start after 0.")


def starting_recipe(recipe: Recipe, name: str, notes: Sequence[NoteRecord]) -> str:
    """Return a recipe as TOML text that states what was found, ready to be corrected."""
    lines = [
        "# Decisions for this instrument. Remove what you do not want to fix;",
        "# what is not here is decided from the sound at every build.",
        f"name = {_text(recipe.name or name)}",
        f"author = {_text(recipe.author or '')}",
        f"licence = {_text(recipe.licence or '')}",
        f"reference_hz = {recipe.reference_hz}",
        f"layout = {_text(recipe.layout)}",
        "",
        "[zones]",
        f"split = {_text(recipe.zones.split)}",
        f"reach_below = {recipe.zones.reach_below}",
        f"reach_above = {recipe.zones.reach_above}",
        "",
        "[levels]",
        f"keys = {_text(recipe.levels.keys)}",
        f"peak_dbfs = {recipe.levels.peak_dbfs}",
        "",
        "[samples]",
        f"format = {_text(recipe.samples.format)}",
        f"bits = {recipe.samples.bits}",
        "",
        "[loops]",
        f"mode = {_text(recipe.loops.mode)}",
        f"flatten = {str(recipe.loops.flatten).lower()}",
    ]
    for note in notes:
        lines += ["", "[[note]]", *_note_lines(note)]
    return "\n".join(lines) + "\n"


def _note_lines(note: NoteRecord) -> list[str]:
    lines = [
        f"file = {_text(note.source.file)}",
        f"root = {_text(key_name(note.decision.root_key))}",
    ]
    if note.decision.velocity is not None:
        lines.append(f"velocity = {note.decision.velocity}")
    if note.decision.round_robin is not None:
        lines.append(f"round_robin = {note.decision.round_robin}")
    if note.loop.loop is None:
        lines.append("loop = false")
    elif note.sample.processing.rate == note.source.rate:
        head = note.sample.processing.start_frame
        lines.append(
            f"loop = [{note.loop.loop.start_frame + head}, {note.loop.loop.end_frame + head}]"
        )
    return lines


def _text(value: str) -> str:
    """Return a TOML basic string: JSON's, but for the one control character JSON leaves alone."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
