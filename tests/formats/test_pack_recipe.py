"""The pack recipe: strict, and helpful about slips."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.errors import InputError, UsageError
from keymapper.formats.pack_recipe import read_pack_recipe, starting_pack_recipe
from keymapper.packing.rights import rights_findings

SAMPLE_SETS = Path(__file__).parent.parent.parent / "sample_sets"

WHOLE = """
title = "Quiet Pier"
version = "1.0"
maker = "Zoë"
year = 2026
licence = "CC0-1.0"
[[instrument]]
folder = "lantern"
sources = [{ what = "all", rights = "own" }]
"""


def read(tmp_path, text):
    path = tmp_path / "PACK.toml"
    path.write_text(text, encoding="utf-8")
    return read_pack_recipe(path)


def test_a_short_recipe_is_enough(tmp_path):
    recipe = read(tmp_path, WHOLE)
    assert recipe.title == "Quiet Pier"
    assert [edition.name for edition in recipe.edition] == ["full"]
    assert recipe.instrument[0].sources[0].rights == "own"


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        ("maker", "makr", "did you mean 'maker'"),
        ("rights", "right", "did you mean 'rights'"),
        ('folder = "lantern"', 'folder = "lantern"\npreviw = "bass"', "did you mean 'preview'"),
        ('version = "1.0"', 'version = "../1"', "version"),
        ('licence = "CC0-1.0"', 'licence = "a b"', "licence"),
        ("year = 2026", "year = 26", "year"),
        ("year = 2026", 'year = 2026\nreleased = "today"', "released"),
        ('title = "Quiet Pier"', 'title = " "', "title"),
        ("year = 2026", 'year = 2026\nedition = [{name = "a"}, {name = "A"}]', "same name"),
        ("year = 2026", 'year = 2026\nedition = [{name = "a", budget_mb = 0}]', "budget_mb"),
        ("year = 2026", 'year = 2026\nedition = [{name = "a", budget_mb = inf}]', "finite"),
        ("year = 2026", 'year = 2026\nwaiver = [{rule = "loop", reason = ""}]', "reason"),
        ("year = 2026", 'year = 2026\nbalance = "loud"', "balance"),
    ],
)
def test_slips_are_one_clear_line(tmp_path, before, after, message):
    with pytest.raises(UsageError, match=message) as caught:
        read(tmp_path, WHOLE.replace(before, after))
    assert "\n" not in str(caught.value)


def test_what_is_no_toml_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="not valid TOML"):
        read(tmp_path, "title =")
    with pytest.raises(InputError, match="cannot be read"):
        read_pack_recipe(tmp_path / "gone.toml")


def test_the_demo_pack_declares_all_it_needs():
    demo = read_pack_recipe(SAMPLE_SETS / "harbour-lights-pack" / "PACK.toml")
    assert rights_findings(demo) == []
    for instrument in demo.instrument:
        assert (SAMPLE_SETS / "harbour-lights-pack" / instrument.folder).is_dir()


@given(st.text(max_size=40), st.lists(st.tuples(st.text(max_size=30), st.text(max_size=30))))
def test_a_first_recipe_is_toml_whatever_the_names(title, instruments):
    table = tomllib.loads(starting_pack_recipe(title, 2026, instruments))
    assert table["title"] == title
    found = [(one["folder"], one["name"]) for one in table.get("instrument", [])]
    assert found == instruments
