import tomllib
from dataclasses import replace

import msgspec
import pytest

from keymapper.errors import InputError, UsageError
from keymapper.formats.recipe import read_recipe, recipe_with, starting_recipe
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
        (
            "[[note]]\nfile = 'a'\ntuning_cents = 1201",
            r"'a': tuning_cents 1201.0 must lie in -1200",
        ),
        ("[[note]]\nfile = 'a'\ngain_db = -60.5", r"gain_db -60.5 must lie in -60\.\.60"),
        ("[[note]]\nfile = 'a'\nround_robin = 0", "round_robin 0 must lie in 1"),
        ("release_seconds = -1", r"release_seconds must lie in 0\.\.100 s"),
        ("release_seconds = 101", r"release_seconds must lie in 0\.\.100 s"),
        ("[[layer]]\nfolder = 'a'\ngain_db = 61", r"gain_db of a layer must lie in -60\.\.60"),
        ("[[layer]]\nfolder = 'a'\ntune_cents = -4801", "tune_cents of a layer must lie in"),
        ("[[layer]]\nfolder = 'a'\npan = -101", r"pan of a layer must lie in -100\.\.100"),
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
        (
            '[zones]\nsplit = "nearst"',
            r"zones\.split: 'nearst' is none of downwards, nearest, upwards",
        ),
    ],
)
def test_mistakes_are_named(tmp_path, text, message):
    with pytest.raises(UsageError, match=message):
        read_recipe(recipe_file(tmp_path, text))


STATED = [
    """
    name = "Quay \\"Bass\\""
    author = "somebody"
    licence = "CC0-1.0"
    description = "two\\nlines"
    reference_hz = 442
    layout = "one-shots"
    release_seconds = 1.25
    """,
    """
    [zones]
    split = "upwards"
    reach_below = 1
    reach_above = 2
    farthest = 7
    velocity_split = "recorded"
    velocity_fade = 10
    """,
    """
    [levels]
    keys = "even"
    velocities = "recorded"
    peak_dbfs = -6
    [samples]
    format = "flac"
    bits = 16
    rate = 44100
    """,
    """
    [loops]
    mode = "short"
    flatten = false
    length_seconds = 1e-5
    """,
    """
    [loops]
    length_beats = 4
    beats_per_minute = 96.5
    """,
    """
    [tuning]
    bake = true
    scale = "nineteen.scl"
    keyboard = "nineteen.kbm"
    [one_shots]
    base_key = 40
    tune = "semitone"
    key = "C#"
    choke = "prefix"
    reversed_copies = true
    """,
    """
    [controls]
    brightness = false
    attack = false
    release = false
    darkest_share = 0.5
    longest_attack_seconds = 1
    longest_release_seconds = 2
    [budget]
    size = "32MB"
    max_notes = 12
    fold = false
    lower_bits = false
    lower_rates = false
    shorten = false
    """,
    """
    [proof]
    tuning_cents = 5
    neighbour_level_db = 2
    hand_over_db = 2
    onset_delay_seconds = 0.003
    click_db = 7
    join_db = 1
    silence_dbfs = -70
    """,
    """
    [[choke]]
    name = "metal"
    files = ["a b.wav", "c.wav"]
    [[choke]]
    name = "wood"
    files = []
    [[layer]]
    folder = "bright"
    gain_db = -3
    tune_cents = 7
    pan = -30
    keys = [40, 90]
    velocities = [50, 127]
    [[layer]]
    folder = "dark"
    """,
    """
    [[note]]
    file = "sub/a.wav"
    root = "Db3"
    tuning_cents = -4.5
    velocity = 64
    round_robin = 2
    release = false
    loop = [1000, 5000]
    gain_db = 1.5
    [[note]]
    file = "b.wav"
    root = 49
    loop = false
    skip = true
    """,
]


def keys_of(model):
    """Every key that a table of the recipe may have, with the table it stands in."""
    for field in msgspec.inspect.type_info(model).fields:
        inner = getattr(field.type, "item_type", field.type)
        if isinstance(inner, msgspec.inspect.DataclassType):
            yield from ((field.name, key) for _, key in keys_of(inner.cls))
        else:
            yield "", field.name


def stated_keys(table):
    for name, value in table.items():
        for inner in value if isinstance(value, list) else [value]:
            if isinstance(inner, dict):
                yield from ((name, key) for key in inner)
            else:
                yield "", name


def test_every_key_of_the_recipe_is_tried_below():
    stated = {key for text in STATED for key in stated_keys(tomllib.loads(text))}
    assert stated == set(keys_of(Recipe))


@pytest.mark.parametrize("text", STATED)
def test_what_a_recipe_says_is_written_again(tmp_path, text):
    said = read_recipe(recipe_file(tmp_path, text))
    written = starting_recipe(said, "Folder", ())
    named = replace(said, name=said.name or "Folder", author=said.author or "")
    assert read_recipe(recipe_file(tmp_path, written)) == replace(named, licence=said.licence or "")


def test_a_first_recipe_shows_what_is_most_often_changed():
    text = starting_recipe(Recipe(), "Quay", ())
    assert (
        text
        == """# Decisions for this instrument. Remove what you do not want to fix;
# what is not here is decided from the sound at every build.
name = "Quay"
author = ""
licence = ""
reference_hz = 440.0
layout = "auto"

[zones]
split = "nearest"
reach_below = 12
reach_above = 12

[levels]
keys = "smooth"
peak_dbfs = -3.0

[samples]
format = "wav"
bits = 24

[loops]
mode = "long"
flatten = true
"""
    )


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
