"""Read `PACK.toml`, and write a first one for a folder of instruments."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from keymapper.errors import UsageError
from keymapper.formats.toml_tables import read_toml, table_to, toml_string
from keymapper.model.pack import PackRecipe


def read_pack_recipe(path: Path) -> PackRecipe:
    """Return what a pack recipe declares.

    Raises
    ------
    InputError
        There is no such file, or it is not TOML.
    UsageError
        It holds a key or value that is not known (the message names the nearest valid one), or
        two editions of one name.
    """
    recipe = table_to(PackRecipe, read_toml(path), str(path))
    names = [edition.name.casefold() for edition in recipe.edition]
    if len(set(names)) < len(names):
        raise UsageError(f"{path}: two editions have the same name; rename one.")
    return recipe


def starting_pack_recipe(title: str, year: int, instruments: Sequence[tuple[str, str]]) -> str:
    """Return a pack recipe as TOML text, ready to be filled in.

    instruments : folder (relative to the recipe) and name of each.
    """
    lines = [
        "# What you declare about this pack. Nothing here is legal advice.",
        f"title = {toml_string(title)}",
        'version = "1.0"',
        'maker = "your name"',
        f"year = {year}",
        'contact = ""',
        f'released = ""                # the day, as "{year}-12-31"',
        'licence = "CC0-1.0"          # an SPDX id, or LicenseRef-NAME with licence_file',
        '# licence_file = "LICENCE.txt"',
        '# cover = "cover.png"',
        'description = ""',
        "credits = []",
        'balance = "even"             # or "as-built"',
        "",
        "[[edition]]",
        'name = "full"',
        "",
        "# [[edition]]",
        '# name = "light"',
        "# bits = 16",
        "# mono = true",
        "# budget_mb = 40",
        "",
        "# A warning that may stand, with your reason, which is printed in the booklet:",
        "# [[waiver]]",
        '# rule = "proof-level-step"',
        '# reason = "the lowest string is meant to be softer"',
    ]
    for folder, name in instruments:
        lines += [
            "",
            "[[instrument]]",
            f"folder = {toml_string(folder)}",
            f"name = {toml_string(name)}",
            'preview = "auto"             # chords, bass, melody, pluck, hits, none',
            '# Where the sounds come from: "own" for your own recordings, else their licence.',
            '# sources = [{ what = "all recordings", rights = "own" }]',
        ]
    return "\n".join(lines) + "\n"
