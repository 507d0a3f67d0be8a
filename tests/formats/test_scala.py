import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keymapper.errors import InputError
from keymapper.formats.scala import Keyboard, Scale, read_keyboard, read_scale, target_cents

EQUAL = (
    "! equal.scl\n!\nTwelve equal steps\n 12\n!\n"
    + "\n".join(f" {100.0 * step}" for step in range(1, 12))
    + "\n 2/1 the octave\n"
)


def written(tmp_path, text, name="a.scl"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
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
        ("x\nmany\n", "not a number"),
        ("x\n3\n100.0\n", "promises 3 notes and has 1"),
        ("x\n1\n-3/2\n", "neither cents nor a ratio"),
        ("x\n1\n0.0\n", "above the unison"),
    ],
)
def test_mistakes_are_named(tmp_path, text, message):
    with pytest.raises(InputError, match=message):
        read_scale(written(tmp_path, text))


def test_a_silent_reference_is_refused():
    board = Keyboard(reference_key=61, degrees=(0, None))
    with pytest.raises(InputError, match="reference key 61"):
        target_cents(Scale(description="", degrees_cents=(1200.0,)), board)
