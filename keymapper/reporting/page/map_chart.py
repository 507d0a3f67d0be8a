"""The map: keys across, velocities up, each zone a box shaded by a measure one can choose."""

from __future__ import annotations

from collections.abc import Sequence

from keymapper.model.keys import key_name
from keymapper.reporting.page.charts import (
    Frame,
    Margins,
    Size,
    chart,
    frame_of,
    key_ticks,
    plain_text,
    signed_text,
    x_axis,
    y_axis,
)
from keymapper.reporting.page.content import PageContent, PageZone
from keymapper.reporting.page.elements import Element, append, number, tag
from keymapper.reporting.page.measures import Measure, map_measures
from keymapper.reporting.page.tables import figure, folded_table, note_link, scrolling

_WIDTH = 1000.0
_PLOT = Margins(left=58, right=12, top=10, bottom=84)
_STRIP_HEIGHT = 22.0
_VELOCITIES = [(1.0, "1"), (32.0, "32"), (64.0, "64"), (96.0, "96"), (127.0, "127")]
_CAPTION = (
    "Keys across, velocities up. Press anywhere to hear that key at that velocity, or the strip "
    "to hear a key at the velocity set below. The dot marks the key a note was recorded on."
)
_HEADINGS = ("Keys", "Root", "Velocities", "Turn", "Tuning", "Level", "Loop", "Join", "Recording")


def map_figure(content: PageContent) -> Element:
    """Return the map with its choice of measures, legends and table."""
    measures = map_measures(content)
    keys = _key_range(content.zones)
    panels = [
        _panel(content, layer, keys, measures)
        for layer in sorted({zone.layer for zone in content.zones})
    ]
    hint = "Point at a zone, or move through the zones with the arrow keys; Enter plays one."
    return figure(
        _choice(measures),
        *(_colour_key(measure) for measure in measures),
        *panels,
        tag("p", hint, id="map-readout", class_="readout", role="status"),
        folded_table("Zones", _HEADINGS, (_row(zone, content) for zone in content.zones)),
        caption=_CAPTION,
        kind="map",
    )


def _key_range(zones: Sequence[PageZone]) -> tuple[int, int]:
    """Return the keys the map shows: those with zones, but two octaves at least."""
    low = min(zone.zone.low_key for zone in zones)
    high = max(zone.zone.high_key for zone in zones)
    short = max(0, 24 - (high - low))
    return max(0, low - (short + 1) // 2), min(127, high + short // 2)


def _choice(measures: Sequence[Measure]) -> Element:
    """Return the choice of what shades the zones."""
    group = tag("fieldset", tag("legend", "Shade by"), class_="choice")
    for index, measure in enumerate(measures):
        name = f"measure-{measure.name}"
        button = tag(
            "input", type="radio", name="measure", value=measure.name, id=name, checked=index == 0
        )
        append(group, [tag("span", button, tag("label", measure.title, for_=name))])
    return group


def _colour_key(measure: Measure) -> Element:
    """Return the legend of one measure: its steps in a row, its ends in words."""
    scale, width = measure.scale, 24.0
    cells = [
        tag("rect", x=index * width, y=0, width=width, height=14, class_=f"box {kind}")
        for index, kind in enumerate(scale.steps)
    ]
    low, middle, high = scale.words
    words = [tag("span", low), _swatch(len(cells) * width, *cells), tag("span", high)]
    if middle:
        words.append(tag("span", f"middle: {middle}"))
    if measure.unknown:
        box = tag("rect", x=1, y=1, width=width - 2, height=12, class_="box unknown")
        words += [_swatch(width, box), tag("span", measure.unknown)]
    if measure.keys:
        words.append(tag("span", measure.strip))
    return tag("p", *words, class_="colour-key", data_measure=measure.name)


def _swatch(width: float, *drawn: Element) -> Element:
    return tag(
        "svg",
        *drawn,
        viewBox=f"0 0 {number(width)} 14",
        width=width,
        height=14,
        aria_hidden="true",
        class_="swatch",
    )


def _panel(
    content: PageContent, layer: int, keys: tuple[int, int], measures: Sequence[Measure]
) -> Element:
    """Return one part of the map: the zones of a layer, or its release samples."""
    zones = [(n, zone) for n, zone in enumerate(content.zones) if zone.layer == layer]
    rows = len({(zone.zone.low_velocity, zone.zone.round_robin) for _, zone in zones})
    height = _PLOT.top + _PLOT.bottom + 110 + min(130, 20 * rows)
    frame = frame_of(
        Size(width=_WIDTH, height=height, margins=_PLOT),
        (keys[0] - 0.5, keys[1] + 0.5),
        (0.5, 127.5),
    )
    name = content.layers[layer]
    label = f"Map of {name or 'all zones'}: {len(zones)} zones over keys and velocities"
    picture = chart(
        frame,
        label,
        y_axis(frame, "velocity", _VELOCITIES),
        _keys(frame, keys, zones[0][1].instrument, measures),
        tag("g", *(_box(frame, (n, zone), content, measures) for n, zone in zones)),
        interactive=True,
    )
    for side in ("left", "right", "top", "bottom"):
        picture.set(f"data-{side}", number(getattr(frame, side)))
    picture.set("data-instrument", str(zones[0][1].instrument))
    picture.set("data-low-key", str(keys[0]))
    picture.set("data-high-key", str(keys[1]))
    heading = tag("h3", name) if name else None
    return tag("div", heading, scrolling(picture, label), class_="panel")


def _keys(
    frame: Frame, keys: tuple[int, int], instrument: int, measures: Sequence[Measure]
) -> Element:
    """Return the key axis under a strip with a cell a key, shaded by how that key plays."""
    below = Margins(left=_PLOT.left, right=_PLOT.right, top=_PLOT.top, bottom=44)
    lowered = frame_of(
        Size(width=frame.width, height=frame.height, margins=below),
        (frame.x.low, frame.x.high),
        (0.0, 1.0),
    )
    axis = x_axis(lowered, "key", key_ticks(*keys, room=frame.right - frame.left))
    top = frame.bottom + 9
    name = tag("text", "by key", x=frame.left - 8, y=top + 15, text_anchor="end")
    cells = [_cell(frame, (instrument, key), top, measures) for key in range(keys[0], keys[1] + 1)]
    return tag("g", axis, name, tag("g", *cells, class_="strip"))


def _cell(frame: Frame, place: tuple[int, int], top: float, measures: Sequence[Measure]) -> Element:
    key = place[1]
    left, right = frame.x(key - 0.5), frame.x(key + 0.5)
    cell = tag(
        "rect",
        tag("title", key_name(key)),
        x=left,
        y=top,
        width=right - left,
        height=_STRIP_HEIGHT,
        data_key=str(key),
    )
    return _shaded(
        cell, "cell", [(one.name, one.scale.step(one.keys.get(place))) for one in measures]
    )


def _shaded(shape: Element, kind: str, steps: Sequence[tuple[str, str]]) -> Element:
    """Return a shape in its first colour, with all colours noted for the script to choose."""
    shape.set("class", f"{kind} {steps[0][1]}")
    for name, step in steps:
        shape.set(f"data-{name}", step)
    return shape


def _box(
    frame: Frame, numbered: tuple[int, PageZone], content: PageContent, measures: Sequence[Measure]
) -> Element:
    """Return one zone; round robins share the height of their velocities."""
    index, zone = numbered
    one = zone.zone
    left, right = frame.x(one.low_key - 0.5), frame.x(one.high_key + 0.5)
    top, bottom = frame.y(one.high_velocity + 0.5), frame.y(one.low_velocity - 0.5)
    lane = (bottom - top) / one.round_robins
    top += lane * (one.round_robins - one.round_robin)
    box = tag(
        "rect",
        x=left + 0.5,
        y=top + 0.5,
        width=max(right - left - 1, 0.5),
        height=max(lane - 1, 0.5),
    )
    steps = [(measure.name, measure.scale.step(measure.zones[index])) for measure in measures]
    root = None
    if one.low_key <= one.root_key <= one.high_key:
        root = tag("circle", cx=frame.x(one.root_key), cy=top + lane / 2, r=2.6, class_="root")
    return tag(
        "g",
        _shaded(box, "box", steps),
        root,
        class_="zone",
        role="button",
        tabindex="-1",
        data_zone=str(index),
        data_note=str(zone.note),
        aria_label=zone_text(zone, content),
    )


def zone_text(zone: PageZone, content: PageContent) -> str:
    """Return a zone in words."""
    one, note = zone.zone, content.notes[zone.note]
    low, high = key_name(one.low_key), key_name(one.high_key)
    parts = [
        low if low == high else f"{low} to {high}",
        f"velocity {one.low_velocity} to {one.high_velocity}",
    ]
    if one.round_robins > 1:
        parts.append(f"turn {one.round_robin} of {one.round_robins}")
    parts.append(note.name)
    if note.tuning_cents is not None:
        parts.append(f"tuning {signed_text(note.tuning_cents, 1)} ct")
    parts.append(f"{plain_text(zone.played_dbfs)} dB")
    if note.join_db is not None and one.loop is not None:
        parts.append(f"join {signed_text(note.join_db, 1)} dB")
    return ", ".join(parts)


def _row(zone: PageZone, content: PageContent) -> list[str | Element]:
    one, note = zone.zone, content.notes[zone.note]
    tuned = "–" if note.tuning_cents is None else f"{signed_text(note.tuning_cents, 1)} ct"
    loop = "–" if one.loop is None else f"{number(one.loop.length_frames / note.rate, 3)} s"
    join = "–" if note.join_db is None else f"{signed_text(note.join_db, 1)} dB"
    return [
        f"{key_name(one.low_key)} – {key_name(one.high_key)}",
        key_name(one.root_key),
        f"{one.low_velocity} – {one.high_velocity}",
        f"{one.round_robin} of {one.round_robins}",
        tuned,
        f"{plain_text(zone.played_dbfs)} dB",
        loop,
        join,
        note_link(zone.note, note.name),
    ]
