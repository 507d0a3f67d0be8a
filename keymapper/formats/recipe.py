"""Read `recipe.toml`, and write a first one from what was found."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from keymapper.errors import UsageError
from keymapper.formats.toml_tables import read_toml, table_to, toml_string
from keymapper.model.instrument import NoteRecord
from keymapper.model.keys import key_name, key_number
from keymapper.model.recipe import NoteCorrection, Recipe

FOREIGN_TABLES = frozenset({"audit", "session"})
"""Tables of the same file that other commands read."""
_ALWAYS_STATED: Mapping[str, Collection[str]] = {
    "": ("name", "author", "licence", "reference_hz", "layout"),
    "zones": ("split", "reach_below", "reach_above"),
    "levels": ("keys", "peak_dbfs"),
    "samples": ("format", "bits"),
    "loops": ("mode", "flatten"),
}
"""What a first recipe shows for a start, table by table: the keys most often changed."""
_NOTE_RANGES = {
    "root": (0, 127),
    "tuning_cents": (-1200, 1200),
    "velocity": (1, 127),
    "round_robin": (1, 1000),
    "gain_db": (-60, 60),
}
"""Lowest and highest value of what is corrected, as far as it is a number."""


def read_recipe(path: Path) -> Recipe:
    """Return the decisions in a recipe file.

    Raises
    ------
    InputError
        There is no such file, or it is not TOML.
    UsageError
        It holds a key or value that is not known; the message names the nearest valid one.
    """
    table = read_toml(path)
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
    for name, (lowest, highest) in _NOTE_RANGES.items():
        value = getattr(correction, name)
        if isinstance(value, int | float) and not lowest <= value <= highest:
            raise UsageError(f"{where}: {name} {value} must lie in {lowest}..{highest}.")
    if correction.loop is True:
        raise UsageError(f"{where}: loop must be [first frame, end frame] or false.")
    if isinstance(correction.loop, tuple) and not 0 < correction.loop[0] < correction.loop[1]:
        raise UsageError(f"{where}: loop {list(correction.loop)} must be rising and start after 0.")


def starting_recipe(recipe: Recipe, name: str, notes: Sequence[NoteRecord]) -> str:
    """Return a recipe as TOML text that states what was found, ready to be corrected.

    Whatever the recipe says stands in it again, and goes before what was found.
    """
    full = replace(
        recipe,
        name=recipe.name or name,
        author=recipe.author or "",
        licence=recipe.licence or "",
        note=_corrections(recipe.note, notes),
    )
    lines = [
        "# Decisions for this instrument. Remove what you do not want to fix;",
        "# what is not here is decided from the sound at every build.",
        *_key_lines(full, _ALWAYS_STATED[""]),
    ]
    for field in fields(full):
        value = getattr(full, field.name)
        if is_dataclass(value):
            keys = _key_lines(value, _ALWAYS_STATED.get(field.name, ()))
            lines += ["", f"[{field.name}]", *keys] if keys else []
        elif isinstance(value, tuple):
            for one in value:
                lines += ["", f"[[{field.name}]]", *_key_lines(one)]
    return "\n".join(lines) + "\n"


def _key_lines(table: Any, always: Collection[str] = ()) -> list[str]:
    """Return the keys of a table, not those of tables in it, that are not at their default.

    always : keys to be stated even so.
    """
    lines = []
    for field in fields(table):
        value = getattr(table, field.name)
        is_stated = value is not None and (field.name in always or value != field.default)
        if is_stated and not _holds_tables(value):
            lines.append(f"{field.name} = {_toml(value)}")
    return lines


def _holds_tables(value: object) -> bool:
    return is_dataclass(value) or (isinstance(value, tuple) and any(map(is_dataclass, value)))


def _corrections(
    stated: Sequence[NoteCorrection], notes: Sequence[NoteRecord]
) -> tuple[NoteCorrection, ...]:
    """Return one correction a file: what was found, under what is stated."""
    corrections = {correction.file: correction for correction in stated}
    found: dict[str, NoteCorrection] = {}
    for note in notes:
        file = note.source.file
        own = corrections.get(file, NoteCorrection(file=file))
        found.setdefault(file, _with_what_was_found(own, note))
    return tuple((found | {f: c for f, c in corrections.items() if f not in found}).values())


def _with_what_was_found(stated: NoteCorrection, note: NoteRecord) -> NoteCorrection:
    decision = note.decision
    return replace(
        stated,
        root=key_name(decision.root_key) if stated.root is None else stated.root,
        velocity=decision.velocity if stated.velocity is None else stated.velocity,
        round_robin=decision.round_robin if stated.round_robin is None else stated.round_robin,
        loop=_found_loop(note) if stated.loop is None else stated.loop,
    )


def _found_loop(note: NoteRecord) -> tuple[int, int] | bool | None:
    """Return the loop in frames of the recording; None where its rate is another."""
    loop, processing = note.loop.loop, note.sample.processing
    if loop is None:
        return False
    if processing.rate != note.source.rate:
        return None
    return (loop.start_frame + processing.start_frame, loop.end_frame + processing.start_frame)


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return toml_string(value) if isinstance(value, str) else str(value)
