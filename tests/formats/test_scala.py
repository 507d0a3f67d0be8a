import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.errors import InputError
from keymapper.formats.scala import (
    Keyboard,
    Scale,
    read_keyboard,
    read_scale,
    recipe_targets,
    target_cents,
)
from keymapper.model.keys import key_to_hz
from keymapper.model.recipe import Recipe, TuningSettings

EQUAL = (
    "! equal.scl\n!\nTwelve equal steps\n 12\n!\n"
    + "\n".join(f" {100.0 * step}" for step in range(1, 12))
    + "\n 2/1 the octave\n"
)


def written(tmp_path, text, name="a.scl"):
    path = tmp_path / name
    path.write_bytes(text.encode("utf-8"))
    return path


def test_equal_temperament_is_where_it_is(tmp_path):
    targets = target_cents(read_scale(written(tmp_path, EQUAL)))
    assert targets == pytest.approx([0.0] * 128)


def test_just_intonation_keeps_a4_and_moves_the_rest(tmp_path):
    ratios = ["16/15", "9/8", "6/5", "5/4", "4/3", "45/32", "3/2", "8/5", "5/3", "9/5", "15/8", "2"]
    text = "Just\n12\n" + "\n".join(ratios)
    targets = target_cents(read_scale(written(tmp_path, text)))
    assert targets[69] == 0.0
    sixth = 1200 * math.log2(5 / 3) - 900
    assert targets[60] == pytest.approx(-sixth)
    assert targets[64] == pytest.approx(1200 * math.log2(5 / 4) - 400 - sixth)
    assert targets[72] == pytest.approx(targets[60])


def test_cents_and_ratios_are_told_apart_by_the_period(tmp_path):
    scale = read_scale(written(tmp_path, "Odd\n3\n 100.\n 3 twelfth\n 2400.0 cents\n"))
    assert scale.degrees_cents == pytest.approx((100.0, 1200 * math.log2(3), 2400.0))


def test_a_keyboard_leaves_keys_out_and_moves_the_reference(tmp_path):
    board = read_keyboard(
        written(
            tmp_path,
            "! white keys\n12\n0\n127\n60\n69\n442.0\n7\n0\nx\n1\nx\n2\n3\nx\n4\nx\n5\nx\n6\n",
            "a.kbm",
        )
    )
    major = Scale(description="", degrees_cents=(200.0, 400.0, 500.0, 700.0, 900.0, 1100.0, 1200.0))
    targets = target_cents(major, board)
    assert targets[61] is None
    sharp = 1200 * math.log2(442 / 440)
    assert [targets[key] for key in (60, 62, 64, 69, 72)] == pytest.approx([sharp] * 5)


@given(st.lists(st.floats(1, 1199), min_size=1, max_size=30), st.integers(-300, 300))
def test_degrees_repeat_with_the_period(degrees, degree):
    scale = Scale(description="", degrees_cents=(*degrees, 1200.0))
    size = len(degrees) + 1
    assert scale.cents(degree + size) == pytest.approx(scale.cents(degree) + 1200.0)


@given(st.text(max_size=200))
def test_anything_is_read_or_refused_in_one_line(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "any.scl"
    path.write_bytes(text.encode("utf-8", "replace"))
    for read in (read_scale, read_keyboard):
        with suppress(InputError):
            read(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "description or count"),
        ("x\nmany\n", "not a whole number"),
        ("x\n3\n100.0\n", "promises 3 notes and has 1"),
        ("x\n1\n-3/2\n", "neither cents nor a ratio"),
        ("x\n1\n0.0\n", "above the unison"),
        ("x\n1\n3/0\n", "neither cents nor a ratio"),
        ("x\n1\n1e400000000\n", "neither cents nor a ratio"),
        ("x\n1\n1_0.0\n", "neither cents nor a ratio"),
        ("x\n1\n" + "9" * 5000 + "\n", "neither cents nor a ratio"),
    ],
)
def test_mistakes_are_named(tmp_path, text, message):
    with pytest.raises(InputError, match=message):
        read_scale(written(tmp_path, text))


def test_a_silent_reference_is_refused():
    board = Keyboard(reference_key=61, degrees=(0, None))
    with pytest.raises(InputError, match="reference key 61"):
        target_cents(Scale(description="", degrees_cents=(1200.0,)), board)


def keyboard(**values):
    """The seven values of a keyboard file, as text."""
    usual = {"size": 0, "first": 0, "last": 127, "middle": 60, "reference": 69, "hz": 440.0}
    return "\n".join(str(value) for value in {**usual, "octave": 0, **values}.values()) + "\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("12\n0\n", "fewer than 7"),
        (keyboard(hz="0.0"), "reference frequency is '0.0'"),
        (keyboard(hz="nan"), "must lie in 1..100000 Hz"),
        (keyboard(size=-1), "its size is -1"),
        (keyboard(size=2) + "0\nq\n", "a degree is 'q'"),
        (keyboard(middle="60.5"), "middle key is '60.5', not a whole"),
    ],
)
def test_mistakes_of_a_keyboard_are_named(tmp_path, text, message):
    with pytest.raises(InputError, match=message):
        read_keyboard(written(tmp_path, text, "a.kbm"))


def test_latin_1_other_line_ends_and_remarks_are_read(tmp_path):
    path = tmp_path / "a.scl"
    path.write_bytes(b"! a\r\nGl\xfcck \x85\r\n 2 notes\r\n5/4   E\\\r\n2/1\r\n")
    scale = read_scale(path)
    assert scale.degrees_cents == pytest.approx((1200 * math.log2(5 / 4), 1200.0))
    path.write_bytes("Glück\r1\r2\r".encode())
    assert read_scale(path).description == "Glück"


def test_the_reference_key_may_lie_outside_the_tuned_keys(tmp_path):
    board = read_keyboard(written(tmp_path, keyboard(last=59, hz=442.0), "a.kbm"))
    targets = target_cents(read_scale(written(tmp_path, EQUAL)), board)
    assert targets[:60] == pytest.approx([1200 * math.log2(442 / 440)] * 60)
    assert set(targets[60:]) == {None}


def test_a_keyboard_without_a_scale_lays_twelve_equal_steps(tmp_path):
    written(tmp_path, keyboard(hz=442.0), "a.kbm")
    recipe = Recipe(tuning=TuningSettings(keyboard="a.kbm"))
    targets = recipe_targets(recipe, tmp_path / "recipe.toml")
    assert targets == pytest.approx([1200 * math.log2(442 / 440)] * 128)
    assert recipe_targets(Recipe(), tmp_path / "recipe.toml") is None


degree_lists = st.lists(st.floats(1, 1199), min_size=1, max_size=30)


@given(
    degree_lists,
    st.integers(0, 127),
    st.integers(0, 127),
    st.floats(100, 1000),
    st.floats(400, 480),
)
def test_the_reference_key_sounds_at_its_frequency(degrees, middle, reference, hz, reference_hz):
    scale = Scale(description="", degrees_cents=(*degrees, 1200.0))
    board = Keyboard(middle_key=middle, reference_key=reference, reference_hz=hz)
    targets = target_cents(scale, board, reference_hz)
    assert key_to_hz(reference + targets[reference] / 100, reference_hz) == pytest.approx(hz)


@given(degree_lists, st.integers(0, 127))
def test_a_mapping_of_every_degree_is_the_straight_one(degrees, middle):
    scale = Scale(description="", degrees_cents=(*degrees, 1200.0))
    size = len(degrees) + 1
    mapped = Keyboard(middle_key=middle, degrees=tuple(range(size)), period_degree=size)
    assert target_cents(scale, mapped) == pytest.approx(
        target_cents(scale, Keyboard(middle_key=middle))
    )


@given(st.lists(st.tuples(st.integers(1, 9999), st.integers(1, 9999)), min_size=1, max_size=20))
def test_ratios_are_read_as_they_are_written(tmp_path_factory, ratios):
    path = tmp_path_factory.getbasetemp() / "ratios.scl"
    lines = [f"{above}/{below}" for above, below in ratios]
    path.write_text("\n".join(["!", "r", str(len(lines) + 1), *lines, "2/1"]))
    expected = [1200 * math.log2(above / below) for above, below in ratios]
    assert read_scale(path).degrees_cents == pytest.approx((*expected, 1200.0))


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_in_one_line(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "bytes.scl"
    path.write_bytes(content)
    for read in (read_scale, read_keyboard):
        message = ""
        try:
            read(path)
        except InputError as error:
            message = str(error)
        assert "\n" not in message
