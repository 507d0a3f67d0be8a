"""Elements hold any text as text."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import html

from keymapper.reporting.page.charts import SVG_NAMESPACE
from keymapper.reporting.page.elements import (
    document_text,
    element_of,
    element_text,
    number,
    prose,
    raw,
    tag,
)
from keymapper.reporting.plain import one_line


@given(st.text())
def test_any_text_comes_back_as_text(text):
    root = tag("html", tag("head"), tag("body", tag("p", text, title=text), tag("i", "end")))
    read = html.document_fromstring(document_text(root))
    paragraph = read.find(".//p")
    assert paragraph.text_content() == one_line(text)
    assert paragraph.get("title") == one_line(text)
    assert read.find(".//i") is not None


def test_no_control_or_direction_character_is_left():
    text = document_text(tag("html", tag("body", tag("p", "a\x00b\x1b[2J\u202ec\udc80"))))
    assert not set(text) & {"\x00", "\x1b", "\u202e", "\udc80"}


def test_attributes_are_left_out_or_named():
    made = tag("label", for_="x", data_key="3", hidden=True, title=None, checked=False, x=1.25)
    assert dict(made.attrib) == {"for": "x", "data-key": "3", "hidden": "", "x": "1.2"}


def test_text_after_elements_stays_after_them():
    made = tag("p", "a", tag("b", "c"), "d", None, "e")
    assert html.tostring(made) == b"<p>a<b>c</b>de</p>"


def test_our_own_scripts_may_not_end_early():
    with pytest.raises(ValueError, match="early"):
        raw("script", "x = '</script>'")


@pytest.mark.parametrize(
    ("value", "text"),
    [(-0.04, "0"), (3.0, "3"), (-2.25, "-2.2"), (1e6, "1000000")],
)
def test_numbers_are_short(value, text):
    assert number(value) == text


def test_backticks_become_code():
    made = tag("p", *prose("write `tune`, or `<b>`"))
    assert html.tostring(made) == b"<p>write <code>tune</code>, or <code>&lt;b&gt;</code></p>"
    assert prose("a ` alone") == ["a ` alone"]


def test_an_element_comes_back_from_its_text() -> None:
    drawing = tag("svg", tag("text", "a < b & c", x=1.5), "after", xmlns=SVG_NAMESPACE, hidden=True)
    whole = tag("article", tag("p", "one", tag("b", "two"), "three"), drawing, id="note-1")
    again = element_of(element_text(whole))
    assert document_text(again) == document_text(whole)
