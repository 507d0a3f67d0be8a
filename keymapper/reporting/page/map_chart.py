"""The map: keys across, velocities up, each zone a box shaded by a measure one can choose."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from keymapper.model.keys import key_name
from keymapper.reporting.page.charts import (
    Frame,
    Margins,
    Size,
    chart,
    frame_of,
    key_ticks,
    signed_text,
    x_axis,
    y_axis,
)
from keymapper.reporting.page.content import PageContent, PageZone
from keymapper.reporting.page.elements import Element, append, number, tag
from keymapper.reporting.page.scales import (
    DIVERGING_STEPS,
    SEQUENTIAL_STEPS,
    diverging_step,
    nice_step,
    sequential_step,
)
from keymapper.reporting.page.tables import figure, folded_table, note_link, scrolling

WIDTH = 1000.0
_PANEL = Margins(left=58, right=12, top=10, bottom=42)
_VELOCITIES = [(1.0, "1"), (32.0, "32"), (64.0, "64"), (96.0, "96"), (127.0, "127")]
_JOIN_REACH_DB = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """What the zones can be shaded by."""

    name: str
    title: str
    step_of: Callable[[PageZone], str]
    ends: tuple[str, str, str]
    """What the lowest, middle and highest colour mean."""
    steps: tuple[str, ...]
    unknown: str


def map_figure(content: PageContent) -> Element:
    """Return the map with its choice of measures, legends and table."""
    measures = map_measures(content)
    used = sorted({zone.layer for zone in content.zones})
    keys = _key_range(content.zones)
    panels = [_panel(content, layer, keys, measures) for layer in used]
    caption = (
        "Keys across, velocities up. Press anywhere to hear that key at that velocity; the dot "
        "marks the key a note was recorded on."
    )
    return figure(
        _choice(measures),
        *(_key_to(measure) for measure in measures),
        *panels,
        tag(
            "p",
            "Point at a zone, or move through them with the arrow keys.",
            id="map-readout",
            class_="readout",
            role="status",
        ),
        folded_table("Zones", _HEADINGS, (_row(zone, content) for zone in content.zones)),
        caption=caption,
        kind="map",
    )


def map_measures(content: PageContent) -> list[Measure]:
    """Return the measures with scales that fit what was found."""
    zones, notes = content.zones, content.notes
    reach = _round_up(
        max((abs(n.tuning_cents) for n in notes if n.tuning_cents is not None), default=5.0)
    )
    levels = [zone.played_dbfs for zone in zones]
    low, high = min(levels, default=0.0), max(levels, default=1.0)
    high = max(high, low + 1.0)
    far = max(7, max((_farthest(zone) for zone in zones), default=7))
    return [
        _diverging(
            "tuning", "Tuning as recorded", reach, "ct", lambda z: notes[z.note].tuning_cents
        ),
        Measure(
            name="level",
            title="Level as mapped",
            step_of=lambda z: sequential_step(z.played_dbfs, low, high),
            ends=(f"{low:.1f} dB", "", f"{high:.1f} dB"),
            steps=_sequential(),
            unknown="",
        ),
        Measure(
            name="transposition",
            title="Farthest transposition",
            step_of=lambda z: sequential_step(_farthest(z), 0, far),
            ends=("0", "", f"{far} semitones"),
            steps=_sequential(),
            unknown="",
        ),
        _diverging(
            "loop",
            "Loop join",
            _JOIN_REACH_DB,
            "dB",
            lambda z: notes[z.note].join_db if z.zone.loop else None,
        ),
    ]


def _diverging(
    name: str, title: str, reach: float, unit: str, value: Callable[[PageZone], float | None]
) -> Measure:
    middle = "0" if name == "tuning" else "just heard"
    return Measure(
        name=name,
        title=title,
        step_of=lambda zone: diverging_step(value(zone), reach),
        ends=(f"−{reach:g} {unit}", middle, f"+{reach:g} {unit}"),
        steps=tuple(f"d{step}" for step in range(DIVERGING_STEPS)),
        unknown="no pitch" if name == "tuning" else "no loop",
    )


def _sequential() -> tuple[str, ...]:
    return tuple(f"s{step}" for step in range(SEQUENTIAL_STEPS))


def _round_up(value: float) -> float:
    step = nice_step(max(value, 1.0), 2)
    return next(step * n for n in range(1, 10) if step * n >= value)


def _farthest(zone: PageZone) -> int:
    one = zone.zone
    return max(abs(one.low_key - one.root_key), abs(one.high_key - one.root_key))


def _key_range(zones: Sequence[PageZone]) -> tuple[int, int]:
    low = min((zone.zone.low_key for zone in zones), default=36)
    high = max((zone.zone.high_key for zone in zones), default=84)
    short = max(0, 24 - (high - low))
    return max(0, low - (short + 1) // 2), min(127, high + short // 2)


def _choice(measures: Sequence[Measure]) -> Element:
    """Return the choice of what shades the zones."""
    group = tag("fieldset", tag("legend", "Shade by"), class_="choice")
    for index, measure in enumerate(measures):
        button = tag(
            "input",
            type="radio",
            name="measure",
            value=measure.name,
            id=f"measure-{measure.name}",
            checked=index == 0,
        )
        append(
            group,
            [tag("span", button, tag("label", measure.title, for_=f"measure-{measure.name}"))],
        )
    return group


def _key_to(measure: Measure) -> Element:
    """Return the legend of one measure: its steps in a row, its ends in words."""
    width, step = 24.0, len(measure.steps)
    cells = [
        tag("rect", x=index * width, y=0, width=width, height=14, class_=f"box {kind}")
        for index, kind in enumerate(measure.steps)
    ]
    bar = tag(
        "svg",
        *cells,
        viewBox=f"0 0 {number(step * width)} 14",
        width=step * width,
        height=14,
        aria_hidden="true",
        class_="swatch",
    )
    low, middle, high = measure.ends
    words = [tag("span", low), bar, tag("span", high)]
    if middle:
        words.append(tag("span", f"middle: {middle}", class_="quiet"))
    if measure.unknown:
        box = tag("rect", x=1, y=1, width=22, height=12, class_="box unknown")
        words += [
            tag(
                "svg",
                box,
                viewBox="0 0 24 14",
                width=24,
                height=14,
                aria_hidden="true",
                class_="swatch",
            ),
            tag("span", measure.unknown),
        ]
    return tag("p", *words, class_="colour-key", data_measure=measure.name)


def _panel(
    content: PageContent, layer: int, keys: tuple[int, int], measures: Sequence[Measure]
) -> Element:
    """Return one part of the map: the zones of a layer, or its release samples."""
    zones = [(n, zone) for n, zone in enumerate(content.zones) if zone.layer == layer]
    several = len({zone.layer for zone in content.zones}) > 1
    rows = len({(z.zone.low_velocity, z.zone.round_robin) for _, z in zones})
    height = _PANEL.top + _PANEL.bottom + 34 + min(170, 110 + 20 * rows)
    frame = frame_of(
        Size(
            width=WIDTH,
            height=height,
            margins=Margins(
                left=_PANEL.left, right=_PANEL.right, top=_PANEL.top, bottom=_PANEL.bottom + 34
            ),
        ),
        (keys[0] - 0.5, keys[1] + 0.5),
        (0.5, 127.5),
    )
    name = content.layers[layer] or "all zones"
    label = f"Map of {name}: {len(zones)} zones over keys and velocities"
    boxes = [_box(frame, index, zone, content, measures) for index, zone in zones]
    picture = chart(
        frame,
        label,
        y_axis(frame, "velocity", _VELOCITIES),
        _keys_axis(frame, keys),
        tag("g", *boxes, class_="zones"),
        interactive=True,
    )
    for side, value in (
        ("left", frame.left),
        ("right", frame.right),
        ("top", frame.top),
        ("bottom", frame.bottom),
    ):
        picture.set(f"data-{side}", number(value))
    picture.set("data-low-key", str(keys[0]))
    picture.set("data-high-key", str(keys[1]))
    heading = tag("h3", name) if several else None
    return tag("div", heading, scrolling(picture, label), class_="panel")


def _keys_axis(frame: Frame, keys: tuple[int, int]) -> Element:
    """Return the key axis: a ruler with a cell a key, one can press them, and the names of Cs."""
    lowered = frame_of(
        Size(width=frame.width, height=frame.height, margins=_PANEL),
        (frame.x.low, frame.x.high),
        (0.0, 1.0),
    )
    axis = x_axis(lowered, "key", key_ticks(*keys, room=frame.right - frame.left))
    cells = tag("g", class_="ruler")
    for key in range(keys[0], keys[1] + 1):
        left, right = frame.x(key - 0.5), frame.x(key + 0.5)
        shade = "sharp" if key % 12 in (1, 3, 6, 8, 10) else "plain"
        append(
            cells,
            [
                tag(
                    "rect",
                    x=left,
                    y=frame.bottom + 6,
                    width=right - left,
                    height=24,
                    class_=f"cell {shade}",
                    data_key=str(key),
                )
            ],
        )
    return tag("g", axis, cells)


def _box(
    frame: Frame, index: int, zone: PageZone, content: PageContent, measures: Sequence[Measure]
) -> Element:
    one = zone.zone
    left, right = frame.x(one.low_key - 0.5), frame.x(one.high_key + 0.5)
    top, bottom = frame.y(one.high_velocity + 0.5), frame.y(one.low_velocity - 0.5)
    lane = (bottom - top) / one.round_robins
    top += lane * (one.round_robins - one.round_robin)
    shades = {measure.name: measure.step_of(zone) for measure in measures}
    box = tag(
        "rect",
        x=left + 0.5,
        y=top + 0.5,
        width=max(right - left - 1, 0.5),
        height=max(lane - 1, 0.5),
        class_=f"box {shades['tuning']}",
    )
    for name, shade in shades.items():
        box.set(f"data-{name}", shade)
    root = None
    if one.low_key <= one.root_key <= one.high_key:
        root = tag("circle", cx=frame.x(one.root_key), cy=top + lane / 2, r=2.6, class_="root")
    return tag(
        "g",
        box,
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
    parts = [
        key_name(one.low_key)
        if one.low_key == one.high_key
        else f"{key_name(one.low_key)} to {key_name(one.high_key)}",
        f"velocity {one.low_velocity} to {one.high_velocity}",
    ]
    if one.round_robins > 1:
        parts.append(f"turn {one.round_robin} of {one.round_robins}")
    parts.append(note.name)
    if note.tuning_cents is not None:
        parts.append(f"recorded {signed_text(note.tuning_cents, 1)} ct")
    parts.append(f"{number(zone.played_dbfs)} dB")
    if note.join_db is not None and one.loop is not None:
        parts.append(f"join {signed_text(note.join_db, 1)} dB")
    return ", ".join(parts)


_HEADINGS = ("Keys", "Root", "Velocities", "Turn", "Recorded", "Level", "Loop", "Join", "Recording")


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
        f"{number(zone.played_dbfs)} dB",
        loop,
        join,
        note_link(zone.note, note.name),
    ]
