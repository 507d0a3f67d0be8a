"""One note close up, with its charts; several processes draw them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from urllib.parse import quote

from keymapper.model.keys import key_name
from keymapper.reporting.page.content import PageNote
from keymapper.reporting.page.elements import Element, element_of, element_text, tag
from keymapper.reporting.page.note_charts import note_figures
from keymapper.workers import Workers


def close_ups(notes: Sequence[PageNote], workers: Workers) -> Iterator[Element]:
    """Return the close-up of every note, drawn meanwhile; the script shows one at a time."""
    silent = [(index, _without_preview(note)) for index, note in enumerate(notes)]
    return map(element_of, workers.run(_close_up_text, silent))


def _without_preview(note: PageNote) -> PageNote:
    """Leave out the sound, which is not drawn: it is most of what would be sent about."""
    return note if note.view is None else replace(note, view=replace(note.view, preview=None))


def _close_up_text(numbered: tuple[int, PageNote]) -> str:
    return element_text(_close_up(*numbered))


def _close_up(index: int, note: PageNote) -> Element:
    facts = [tag("div", tag("dt", name), tag("dd", text)) for name, text in note.facts]
    hear = tag(
        "div",
        tag("button", "Hear it", type="button", class_="hear", data_note=str(index)),
        tag(
            "button",
            "Hear the join, three rounds",
            type="button",
            class_="join",
            data_note=str(index),
        )
        if note.loop_seconds is not None
        else None,
        tag(
            "label",
            "The whole sample beside this page ",
            tag("audio", controls=True, preload="none", src=quote(note.sample, safe="/")),
        ),
        class_="hearing",
    )
    return tag(
        "article",
        tag("h3", f"{key_name(note.root_key)} · {note.name}"),
        hear,
        tag("p", note.remark) if note.remark else None,
        *note_figures(note, tag("dl", *facts, class_="facts")),
        id=f"note-{index}",
        class_="note",
    )
