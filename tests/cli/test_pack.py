"""`keymapper pack`: what it prints and how it ends."""

import json
import os
import shutil
import subprocess
import sys

import pytest

from keymapper import BuildSettings, build_instrument
from keymapper.formats.toml_tables import table_to
from keymapper.model.recipe import Recipe
from tests.simple_notes import write_note

WAIVERS = "".join(
    f'[[waiver]]\nrule = "{family}"\nreason = "made for a test"\n'
    for family in ("level", "loop", "map", "tuning", "proof")
)


def keymapper(*arguments, cwd):
    environment = {**os.environ, "COLUMNS": "200", "KEYMAPPER_CACHE": str(cwd / "cache")}
    environment.pop("KEYMAPPER_DEBUG", None)
    return subprocess.run(
        [sys.executable, "-m", "keymapper", "pack", *map(str, arguments), "--workers", "1"],
        capture_output=True,
        text=True,
        cwd=cwd,
        env=environment,
        check=False,
    )


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shelf")
    write_note(folder / "in" / "Lantern C4.wav", 60)
    table = {"name": "Lantern [b]", "zones": {"reach_below": 0, "reach_above": 0}}
    settings = BuildSettings(workers=1, prove=False, page=False)
    recipe = table_to(Recipe, table, "test")
    build_instrument(folder / "in", folder / "Lantern", recipe, settings)
    return folder


@pytest.fixture(scope="module")
def packed(shelf):
    """The shelf with a pack made by way of a first recipe."""
    first = keymapper("--write-recipe", shelf, cwd=shelf)
    assert first.returncode == 0, first.stderr
    recipe = shelf / "PACK.toml"
    text = recipe.read_text(encoding="utf-8").replace("# sources", "sources") + WAIVERS
    recipe.write_text(text, encoding="utf-8")
    return shelf, keymapper(recipe, "--out", "out", cwd=shelf)


def test_a_first_recipe_asks_where_sounds_come_from(shelf, tmp_path):
    target = tmp_path / "P.toml"
    assert keymapper("--write-recipe", shelf, "--out", target, cwd=tmp_path).returncode == 0
    result = keymapper(target, cwd=tmp_path)
    assert result.returncode == 1
    assert "rights-undeclared" in result.stdout
    assert "No pack was made." in result.stdout
    assert not list(tmp_path.glob("*-pack"))
    again = keymapper("--write-recipe", shelf, "--out", target, cwd=tmp_path)
    assert again.returncode == 5
    assert "add --force" in again.stderr


def test_a_pack_is_made_and_told_of(packed):
    shelf, result = packed
    assert result.returncode == 0, result.stdout + result.stderr
    assert "Lantern [b]" in result.stdout
    assert "LUFS" in result.stdout
    assert " MB in memory" in result.stdout
    assert "no legal advice" in result.stdout
    assert result.stdout.endswith("Pack: out\n")
    assert (shelf / "out" / "SHA256SUMS").is_file()


def test_an_existing_pack_stays_unless_forced(packed):
    shelf, _ = packed
    before = sorted(path.stat().st_mtime_ns for path in (shelf / "out").iterdir())
    result = keymapper("PACK.toml", "--out", "out", cwd=shelf)
    assert result.returncode == 5
    assert result.stderr.count("\n") == 1
    assert sorted(path.stat().st_mtime_ns for path in (shelf / "out").iterdir()) == before


def test_a_folder_with_other_files_than_a_pack_stays(packed, tmp_path):
    shelf, _ = packed
    shutil.copytree(shelf / "out", tmp_path / "out")
    (tmp_path / "out" / "sales.txt").write_text("mine")
    result = keymapper("PACK.toml", "--out", tmp_path / "out", "--force", cwd=shelf)
    assert result.returncode == 5
    assert "holds sales.txt, which is no part of an earlier result" in result.stderr
    assert (tmp_path / "out" / "sales.txt").read_text() == "mine"


def archive(shelf):
    return next((shelf / "out").glob("*.zip"))


def test_a_whole_pack_verifies(packed):
    shelf, _ = packed
    result = keymapper("--verify", archive(shelf), cwd=shelf)
    assert result.returncode == 0, result.stdout
    assert "0 errors, 0 warnings" in result.stdout
    data = json.loads(keymapper("--verify", archive(shelf), "--json", cwd=shelf).stdout)
    assert data["result"]["manifest"]["format"] == "keymapper-pack"


def test_a_damaged_pack_fails(packed, tmp_path):
    content = bytearray(archive(packed[0]).read_bytes())
    content[len(content) // 2] ^= 1
    (tmp_path / "d.zip").write_bytes(content)
    result = keymapper("--verify", tmp_path / "d.zip", cwd=tmp_path)
    assert result.returncode == 1
    assert "archive-" in result.stdout
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ([], 2, "name a pack recipe"),
        (["a.toml", "--verify", "b"], 2, "name a pack recipe"),
        (["gone.toml"], 3, "cannot be read"),
        (["--verify", "gone.zip"], 3, "no such"),
        (["--write-recipe", "gone"], 3, "no such folder"),
        (["--write-recipe", "."], 3, "holds no folder with an instrument"),
    ],
)
def test_wrong_calls_are_one_line(tmp_path, arguments, code, words):
    result = keymapper(*arguments, cwd=tmp_path)
    assert result.returncode == code
    assert words in result.stderr
    assert result.stderr.count("\n") == 1
