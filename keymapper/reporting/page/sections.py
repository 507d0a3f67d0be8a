"""The parts of the page from top to bottom."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from keymapper.model.keys import key_name
from keymapper.reporting.page.close_ups import close_ups
from keymapper.reporting.page.content import Attention, FoundPlace, PageContent, PageNote, TuningSet
from keymapper.reporting.page.elements import Child, Element, prose, tag
from keymapper.reporting.page.level_charts import level_figures
from keymapper.reporting.page.map_chart import map_figure
from keymapper.reporting.page.proof_charts import proof_figures
from keymapper.reporting.page.tables import note_link, table
from keymapper.reporting.page.tuning_charts import diagnosis_text, tuning_figures
from keymapper.workers import Workers

_SHOWN_PLACES = 3
_WELCOME = (
    "Press a key on the map. The volume starts low: a faulty loop can be louder than the note."
)
_SEVERITY_SIGNS = {"error": "▲", "warning": "◆", "note": "●"}


def page_sections(content: PageContent, workers: Workers) -> list[Element]:
    """Return the sections that there is something to say in."""
    notes_close_up = close_ups(content.notes, workers)
    found = [_attention(content.attention)]
    if content.zones:
        found.append(_section("map", "Map", map_figure(content)))
    if content.tuning:
        found.append(_section("tuning", "Tuning", *_tuning(content.tuning)))
    if content.zones:
        found.append(_section("levels", "Levels", *level_figures(content)))
    if content.notes:
        found.append(_notes(content.notes, notes_close_up))
    if content.proof is not None:
        lead = tag("p", content.proof.verdict, class_="lead")
        figures = proof_figures(content.proof, content.notes)
        found.append(_section("played", "As played", lead, *figures))
    return [*found, _origin(content)]


def _tuning(sets: Sequence[TuningSet]) -> Iterator[Child]:
    for one in sets:
        if len(sets) > 1:
            yield tag("h3", one.name)
        if one.diagnosis is not None:
            yield diagnosis_text(one.diagnosis)
        yield from tuning_figures(one)


def page_header(content: PageContent) -> Element:
    """Return the title, the verdict, and a few figures."""
    figures = [tag("div", tag("dt", name), tag("dd", text)) for name, text in content.figures]
    return tag(
        "header",
        tag("p", content.kind, class_="kind"),
        tag("h1", content.title),
        tag("p", content.verdict, class_=f"verdict {content.grave or 'fine'}"),
        tag("dl", *figures, class_="glance"),
        tag("p", content.remark) if content.remark else None,
    )


def contents_list(sections: Sequence[Element]) -> Element:
    """Return links to the sections."""
    links = [tag("a", section.findtext("h2"), href=f"#{section.get('id')}") for section in sections]
    return tag("nav", *links, aria_label="Parts of this page")


def _section(name: str, title: str, *children: Child) -> Element:
    return tag(
        "section",
        tag("h2", title, id=f"{name}-title"),
        *children,
        id=name,
        aria_labelledby=f"{name}-title",
    )


def _attention(things: Sequence[Attention]) -> Element:
    title = "What needs attention"
    if not things:
        return _section("attention", title, tag("p", "Nothing: everything found is in order."))
    return _section("attention", title, tag("ul", *map(_thing, things), class_="attention"))


def _thing(thing: Attention) -> Element:
    sign = f"{_SEVERITY_SIGNS[thing.severity]} {thing.severity}"
    places: Element | None = _places(thing.places) if thing.places else None
    if len(thing.places) > _SHOWN_PLACES:
        summary = f"{len(thing.places)} places, the first: {thing.places[0].where}"
        places = tag("details", tag("summary", summary), places)
    return tag(
        "li",
        tag("p", sign, class_=f"severity {thing.severity}"),
        tag(
            "div",
            tag("p", tag("strong", *prose(thing.what))),
            tag("p", tag("span", "To do: ", class_="quiet"), *prose(thing.action)),
        ),
        tag("div", places),
    )


def _places(places: Sequence[FoundPlace]) -> Element:
    return tag(
        "ul",
        *(
            tag(
                "li",
                note_link(place.note, place.where),
                " ",
                tag("span", *prose(place.measured), class_="measured"),
            )
            for place in places
        ),
        class_="places",
    )


def _notes(notes: Sequence[PageNote], drawn: Iterable[Element]) -> Element:
    """Return the close-ups; the script shows one at a time."""
    options = [
        tag("option", f"{key_name(note.root_key)} · {note.name}", value=str(index))
        for index, note in enumerate(notes)
    ]
    chooser = tag(
        "div",
        tag("button", "‹ previous", type="button", id="note-previous"),
        tag("label", "Note ", tag("select", *options, id="note-choice")),
        tag("button", "next ›", type="button", id="note-next"),
        class_="chooser",
        hidden=True,
        id="chooser",
    )
    return _section("notes", "One note, close up", chooser, *drawn)


def _origin(content: PageContent) -> Element:
    groups: list[Child] = []
    for title, rows in content.origin:
        if not rows:
            continue
        body = table(title, ("What", "Is"), rows)
        if len(rows) > 8:
            body = tag("details", tag("summary", f"{title} ({len(rows)})"), body)
        groups.append(body)
    return _section("origin", "Where it came from", *groups)


def player() -> Element:
    """Return the bar one plays from; the script fills it with life."""
    return tag(
        "section",
        tag("h2", "Listen", class_="unseen"),
        tag(
            "div",
            tag("p", _WELCOME, id="sounding", role="status"),
            tag("canvas", id="scope", width="240", height="48", aria_hidden="true"),
            class_="now",
        ),
        _slider("volume", "Volume", range(-60, 1), -24, "−24 dB"),
        _slider("velocity", "Velocity", range(1, 128), 100, "100"),
        tag(
            "div",
            tag("button", "−", type="button", id="octave-down", aria_label="An octave lower"),
            tag("span", "", id="octave"),
            tag("button", "+", type="button", id="octave-up", aria_label="An octave higher"),
            class_="octaves",
        ),
        tag("button", "Repeat the join", type="button", id="repeat-join", disabled=True),
        tag("button", "Silence", type="button", id="silence"),
        _how_to_play(),
        aria_label="Listen",
        class_="player",
        id="player",
        hidden=True,
    )


def _how_to_play() -> Element:
    return tag(
        "details",
        tag("summary", "How to play"),
        tag(
            "p",
            "The volume starts low: recordings differ in level by tens of decibels, and "
            "a fault in a loop can be louder than the note. Turn it up slowly.",
        ),
        tag(
            "p",
            "Press the map or its key ruler, or use the computer keyboard: the lower "
            "letter row plays from C, the upper one an octave higher.",
        ),
        tag(
            "label",
            tag("input", type="checkbox", id="typing", checked=True),
            " Play with the computer keyboard",
        ),
        tag("p", "", id="source"),
        tag(
            "label",
            "Load the full samples: choose the instrument's folder ",
            tag("input", type="file", id="folder", multiple=True, webkitdirectory=True),
        ),
    )


def _slider(name: str, label: str, values: range, value: int, text: str) -> Element:
    control = tag("input", type="range", id=name)
    for key, number in {"min": values[0], "max": values[-1], "step": 1, "value": value}.items():
        control.set(key, str(number))
    return tag(
        "div",
        tag("label", label, for_=name),
        control,
        tag("output", text, for_=name, id=f"{name}-text"),
        class_="slider",
    )
