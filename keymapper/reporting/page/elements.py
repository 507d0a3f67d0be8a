"""HTML and SVG elements out of names, texts and numbers; nothing is joined as strings."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Any

from lxml import etree, html

from keymapper.reporting.plain import one_line

Element = Any
"""An lxml element; lxml brings no types."""
Child = Any
"""An element, a text, or None, which leaves no trace."""


def tag(name: str, /, *children: Child, **attributes: str | float | bool | None) -> Element:
    """Return an element with children and attributes.

    Texts are made fit for one line, so that no control or direction character is left in them.
    In the names of attributes a trailing `_` falls away and `_` stands for `-`; None and False
    leave an attribute out.
    """
    texts = {
        _attribute(attribute): one_line(value) if isinstance(value, str) else _plain(value)
        for attribute, value in attributes.items()
        if value is not None and value is not False
    }
    element = etree.Element(name, texts)
    append(element, children)
    return element


@lru_cache(maxsize=256)
def _attribute(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


def _plain(value: float | bool) -> str:
    return "" if value is True else number(value)


def append(element: Element, children: Iterable[Child]) -> None:
    """Append texts and elements to an element."""
    for child in children:
        if child is None:
            continue
        if not isinstance(child, str):
            element.append(child)
        elif len(element):
            element[-1].tail = (element[-1].tail or "") + one_line(child)
        else:
            element.text = (element.text or "") + one_line(child)


def prose(text: str) -> list[Child]:
    """Return a text whose words in backticks stand as code."""
    parts = text.split("`")
    if len(parts) % 2 == 0:
        return [text]
    return [tag("code", part) if n % 2 else part for n, part in enumerate(parts)]


def number(value: float, digits: int = 1) -> str:
    """Return a number as short as its digits after the point allow."""
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def raw(name: str, text: str, /, **attributes: str) -> Element:
    """Return a `script` or `style` element of our own text, written as it is."""
    if "</" in text or "<!--" in text:
        raise ValueError(f"this text would end its {name} element early")
    element = etree.Element(name, {key.rstrip("_"): value for key, value in attributes.items()})
    element.text = text
    return element


def document_text(root: Element) -> str:
    """Return a whole HTML document as text."""
    text: str = html.tostring(root, encoding="unicode", doctype="<!DOCTYPE html>")
    return text + "\n"


def element_text(element: Element) -> str:
    """Return an element as XML, for :func:`element_of` to read."""
    text: str = etree.tostring(element, encoding="unicode")
    return text


def element_of(text: str) -> Element:
    """Return the element that :func:`element_text` has written."""
    return etree.fromstring(text, etree.XMLParser(resolve_entities=False, no_network=True))


def svg_text(root: Element) -> str:
    """Return an SVG document that stands by itself as text."""
    return element_text(root) + "\n"
