"""The booklet as a page that prints well: no script, nothing from elsewhere, every text escaped."""

from __future__ import annotations

from collections.abc import Sequence

from keymapper.model.pack import PackedInstrument, PackManifest
from keymapper.packing.booklet import (
    CHECKING,
    LOADING,
    LOUD_NOTE,
    history_lines,
    instrument_rows,
    licence_lines,
    waived_lines,
)
from keymapper.packing.map_picture import MapZone, map_picture
from keymapper.packing.summary import BALANCE_HEADS, balance_rows
from keymapper.reporting.page.elements import (
    Child,
    Element,
    document_text,
    prose,
    raw,
    tag,
)

_STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 2rem auto; max-width: 44rem; padding: 0 1rem; color: #222; background: #fff;
  font: 1rem/1.5 Georgia, "Times New Roman", serif; overflow-wrap: break-word; }
h1, h2, h3, table, figcaption { font-family: system-ui, sans-serif; }
h1 { font-size: 2.2rem; line-height: 1.15; margin: 0 0 .3rem; }
h2 { font-size: 1.3rem; margin: 2.2rem 0 .6rem; border-bottom: 1px solid #999; }
h3 { font-size: 1.05rem; margin: 1.6rem 0 .4rem; }
img.cover { display: block; width: 100%; max-height: 26rem; object-fit: contain;
  margin: 0 0 1.2rem; }
.caution { border: 2px solid #a33; padding: .6rem .9rem; }
article, figure { break-inside: avoid; }
figure { margin: .6rem 0; }
svg { width: 100%; height: auto; display: block; }
table { border-collapse: collapse; font-size: .88rem; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .15rem .8rem .15rem 0;
  border-bottom: 1px solid #ddd; overflow-wrap: anywhere; }
th { font-weight: 600; width: 9rem; }
thead th { width: auto; white-space: nowrap; }
.scroll { overflow-x: auto; }
.scroll td { overflow-wrap: normal; white-space: nowrap; }
.scroll td:first-child { min-width: 7rem; overflow-wrap: anywhere; white-space: normal; }
audio { width: 100%; }
svg .zone { fill: #cfe0ee; stroke: #35607f; stroke-width: 1; }
svg .white { fill: #fff; stroke: #888; }
svg .black { fill: #333; }
svg .white.silent { fill: #ddd; }
svg .black.silent { fill: #999; }
svg text { font: 11px system-ui, sans-serif; fill: #333; text-anchor: middle; }
@media print { body { margin: 0; max-width: none; font-size: 10.5pt; } audio { display: none; }
  .scroll { overflow-x: visible; } .scroll td, .scroll th { white-space: normal; }
  h2 { break-after: avoid; } a { color: inherit; text-decoration: none; } }
@page { margin: 18mm 16mm; }
"""
_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src 'self'; media-src 'self'; "
    "base-uri 'none'; form-action 'none'"
)


def booklet_page(
    manifest: PackManifest,
    zones: Sequence[Sequence[MapZone]],
    cover: str | None,
    previews: Sequence[str | None],
) -> str:
    """Return the booklet as HTML text.

    zones : of each instrument. cover : name of the picture beside the page. previews : path of each
    instrument's preview beside the page, without suffix.
    """
    title = f"{manifest.title} {manifest.version}"
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=_POLICY),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title),
        raw("style", _STYLE),
    )
    cover_picture = tag("img", src=cover, alt=f"Cover of {manifest.title}", class_="cover")
    body = tag(
        "body",
        tag(
            "header",
            cover_picture if cover else None,
            tag("h1", title),
            tag("p", f"by {manifest.maker}, {manifest.released or manifest.year}"),
            tag("p", f"Edition: {manifest.edition}"),
            tag("p", manifest.description) if manifest.description else None,
            tag("p", tag("strong", "Caution. "), LOUD_NOTE, class_="caution"),
        ),
        tag("main", *_sections(manifest, zones, previews)),
    )
    return document_text(tag("html", head, body, lang="en"))


def _sections(
    manifest: PackManifest,
    zones: Sequence[Sequence[MapZone]],
    previews: Sequence[str | None],
) -> list[Child]:
    instruments = [
        _instrument(instrument, own, preview)
        for instrument, own, preview in zip(manifest.instruments, zones, previews, strict=True)
    ]
    return [
        _section("Instruments", *instruments),
        _section("Side by side", balance_table(manifest)),
        _section("How to load them", tag("ol", *(tag("li", step) for step in LOADING))),
        _section("Licence and sources", *_paragraphs(licence_lines(manifest))),
        _section("Credits", *_paragraphs(manifest.credits)) if manifest.credits else None,
        _section("Let stand", *_waived(manifest)) if waived_lines(manifest) else None,
        _section("Versions", *_paragraphs(history_lines(manifest))) if manifest.history else None,
        _section("Is everything here?", tag("p", *prose(CHECKING))),
    ]


def _section(title: str, *children: Child) -> Element:
    return tag("section", tag("h2", title), *children)


def _paragraphs(lines: Sequence[str]) -> list[Element]:
    return [tag("p", line) for line in lines]


def _waived(manifest: PackManifest) -> list[Element]:
    words = "The maker knows of these warnings and gives a reason for each:"
    return [tag("p", words), tag("ul", *(tag("li", line) for line in waived_lines(manifest)))]


def _instrument(
    instrument: PackedInstrument, zones: Sequence[MapZone], preview: str | None
) -> Element:
    rows = [
        tag("tr", tag("th", name, scope="row"), tag("td", text))
        for name, text in instrument_rows(instrument)
    ]
    return tag(
        "article",
        tag("h3", instrument.name),
        tag("p", instrument.description) if instrument.description else None,
        tag("figure", map_picture(instrument.name, zones)),
        _audio(instrument.name, preview) if preview else None,
        tag("table", tag("tbody", *rows)),
    )


def _audio(name: str, preview: str) -> Element:
    return tag(
        "audio",
        tag("source", src=f"{preview}.flac", type="audio/flac"),
        tag("source", src=f"{preview}.ogg", type="audio/ogg"),
        controls=True,
        preload="none",
        aria_label=f"Preview of {name}",
    )


def balance_table(manifest: PackManifest) -> Element:
    """Return how the instruments' phrases compare before they were evened, and each gain."""
    rows = [tag("tr", *(tag("td", text) for text in row)) for row in balance_rows(manifest)]
    heads = [head.capitalize() for head in BALANCE_HEADS]
    header = tag("thead", tag("tr", *(tag("th", head, scope="col") for head in heads)))
    return tag(
        "div",
        tag("table", header, tag("tbody", *rows)),
        class_="scroll",
        tabindex="0",
        role="region",
        aria_label="Instruments side by side, scrolls sideways",
    )
