import pytest

from keymapper.errors import InputError, UsageError
from keymapper.formats.recipe import read_recipe, recipe_with
from keymapper.model.recipe import Recipe


def recipe_file(tmp_path, text):
    path = tmp_path / "recipe.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_an_empty_recipe_is_the_default(tmp_path):
    assert read_recipe(recipe_file(tmp_path, "")) == Recipe()


def test_a_full_recipe_is_read(tmp_path):
    recipe = read_recipe(
        recipe_file(
            tmp_path,
            """
            name = "Quay Bass"
            reference_hz = 442
            [zones]
            split = "upwards"
            reach_above = 5
            [samples]
            bits = 16
            [session]
            anything = "belongs to another command"
            [audit]
            anything = "belongs to another command"
            [[note]]
            file = "a.wav"
            root = "C#3"
            loop = [1000, 5000]
            [[note]]
            file = "b.wav"
            loop = false
            """,
        )
    )
    assert recipe.reference_hz == 442.0
    assert (recipe.zones.split, recipe.zones.reach_above, recipe.samples.bits) == ("upwards", 5, 16)
    assert [note.loop for note in recipe.note] == [(1000, 5000), False]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("nmae = 'x'", "unknown key 'nmae'; did you mean 'name'"),
        ("[zones]\nreach_bellow = 3", "did you mean 'reach_below'"),
        ("reference_hz = 20", "must lie in 300..600"),
        ("[samples]\nbits = 20", "bits"),
        ("[[note]]\nfile = 'a'\nroot = 'H9'", "is no key"),
        ("[[note]]\nfile = 'a'\nloop = true", "loop must be"),
        ("[[note]]\nfile = 'a'\nloop = [9, 3]", "must be rising"),
        ("[[note]]\nfile = 'a'\n[[note]]\nfile = 'a'", "two \\[\\[note\\]\\] tables"),
        ("[[note]]\nroot = 60", "missing key 'file'"),
        ("[loops]\nlength_seconds = 0", "length_seconds must be above 0"),
        ("[loops]\nlength_beats = 4", "go together"),
        (
            "[loops]\nlength_seconds = 2\nlength_beats = 4\nbeats_per_minute = 90",
            "not both",
        ),
    ],
)
def test_mistakes_are_named(tmp_path, text, message):
    with pytest.raises(UsageError, match=message):
        read_recipe(recipe_file(tmp_path, text))


def test_broken_toml_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="not valid TOML"):
        read_recipe(recipe_file(tmp_path, "name = "))


def test_options_override_and_leave_the_rest(tmp_path):
    recipe = Recipe(name="Pad")
    changed = recipe_with(recipe, {"samples": {"bits": 16, "rate": None}, "reference_hz": None})
    assert (changed.name, changed.samples.bits, changed.reference_hz) == ("Pad", 16, 440.0)
    with pytest.raises(UsageError, match="rate must lie in"):
        recipe_with(recipe, {"samples": {"rate": 10}})


def test_a_loop_may_be_as_long_as_some_beats(tmp_path):
    text = "[loops]\nlength_beats = 4\nbeats_per_minute = 96"
    assert read_recipe(recipe_file(tmp_path, text)).loops.wanted_seconds == 2.5
    assert read_recipe(recipe_file(tmp_path, "")).loops.wanted_seconds is None
