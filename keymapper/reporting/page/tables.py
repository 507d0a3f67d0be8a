"""The same figures as in a chart, as a table one can open."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from keymapper.reporting.page.elements import Child, Element, tag


def table(caption: str, headings: Sequence[str], rows: Iterable[Sequence[Child]]) -> Element:
    """Return a table under a caption, scrolling by itself; the first cell heads its row."""
    head = tag("tr", *(tag("th", text, scope="col") for text in headings))
    body = [
        tag("tr", tag("th", row[0], scope="row"), *(tag("td", cell) for cell in row[1:]))
        for row in rows
    ]
    whole = tag(
        "table", tag("caption", caption), tag("thead", head), tag("tbody", *body or [tag("tr")])
    )
    return tag(
        "div", whole, class_="scroll", tabindex="0", role="region", aria_label=f"{caption}, table"
    )


def folded_table(caption: str, headings: Sequence[str], rows: Iterable[Sequence[Child]]) -> Element:
    """Return a table that stays folded until it is asked for."""
    return tag(
        "details",
        tag("summary", f"{caption}, as a table"),
        table(caption, headings, rows),
        class_="figures",
    )


def figure(*children: Child, caption: str, kind: str = "") -> Element:
    """Return charts with the caption that says how to read them."""
    return tag("figure", tag("figcaption", caption), *children, class_=kind or None)


def scrolling(chart: Element, label: str) -> Element:
    """Return a chart that scrolls sideways by itself where the page is narrow."""
    return tag(
        "div",
        chart,
        class_="scroll chart-scroll",
        tabindex="0",
        role="region",
        aria_label=f"{label}, scrolls sideways",
    )


def note_link(note: int | None, text: str) -> Element:
    """Return a link to a note's close-up, or the mere text."""
    if note is None:
        return tag("span", text)
    return tag("a", text, href=f"#note-{note}")
