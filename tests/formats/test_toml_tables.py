import tomllib
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.errors import InputError, UsageError
from keymapper.formats.toml_tables import nearest_name, read_toml, table_to


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    depth_db: float
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Garden:
    name: str
    beds: tuple[int, ...] = ()
    size_seconds: float | tuple[Spot, ...] = 1.0
    spot: Spot | None = None
    spots: dict[str, Spot] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.name == "weed":
            raise ValueError("a garden is no weed")


def read(text: str) -> Garden:
    return table_to(Garden, tomllib.loads(text), "recipe.toml [garden]")


def test_reads_what_it_knows_at_every_depth() -> None:
    got = read('name = "a"\nbeds = [1, 2]\nspot = {depth_db = -3}\nspots.x.depth_db = 2.5')
    assert got == Garden(
        name="a", beds=(1, 2), spot=Spot(depth_db=-3.0), spots={"x": Spot(depth_db=2.5)}
    )


def test_reads_either_member_of_a_union() -> None:
    assert read('name = "a"\nsize_seconds = 3').size_seconds == 3.0
    assert read('name = "a"\nsize_seconds = [{depth_db = 1}]').size_seconds == (Spot(depth_db=1.0),)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            'name = "a"\nbed = [1]',
            r"recipe\.toml \[garden\]: unknown key 'bed'; did you mean 'beds'\?",
        ),
        ('name = "a"\nspot = {depth = 1}', r"unknown key 'spot\.depth'; did you mean 'depth_db'\?"),
        ('name = "a"\nspots.x.depht_db = 1', r"unknown key 'spots\.x\.depht_db'; did you mean"),
        ('name = "a"\nsize_seconds = [{depth = 1}]', r"'size_seconds\[0\]\.depth'; did you mean"),
        (
            'name = "a"\n"q\\nz" = 1',
            r"unknown key 'q\\nz'; valid keys: beds, name, size_seconds, spot",
        ),
        ('name = "a"\nbeds = [1, "x"]', r"beds\[1\]: expected 'int', got 'str'"),
        ('name = "a"\nsize_seconds = nan', r"size_seconds is nan, which is not a finite number"),
        ("beds = []", r"missing key 'name'"),
        ('name = "weed"', r"a garden is no weed"),
    ],
)
def test_refuses_the_rest_in_one_line(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message) as caught:
        read(text)
    assert "\n" not in str(caught.value)


@given(st.lists(st.text(min_size=1), min_size=1), st.data())
def test_the_nearest_name_of_a_valid_name_is_itself(names: list[str], data: st.DataObject) -> None:
    word = data.draw(st.sampled_from(names))
    nearest = nearest_name(word, names)
    assert nearest is not None
    assert nearest.casefold() == word.casefold()


def test_there_may_be_no_nearest_name() -> None:
    assert nearest_name("qqq", ["hold", "keys"]) is None


@pytest.mark.parametrize("text", ["a = ", "a = " + "[" * 100_000, "a = " + "9" * 5000, "a = \xff"])
def test_what_is_no_toml_is_an_input_error(tmp_path: Path, text: str) -> None:
    path = tmp_path / "recipe.toml"
    path.write_text(text, encoding="latin-1")
    with pytest.raises(InputError, match=r"recipe\.toml: is not valid TOML"):
        read_toml(path)
