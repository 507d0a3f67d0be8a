"""How loud the notes are: along the keys, and as velocity rises."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from keymapper.model.instrument import Zone
from keymapper.model.keys import key_name
from keymapper.reporting.page.charts import (
    Frame,
    Size,
    chart,
    dot,
    frame_of,
    key_ticks,
    legend,
    number_ticks,
    plain_text,
    polyline,
    whisker,
    x_axis,
    y_axis,
)
from keymapper.reporting.page.content import PageContent, PageZone
from keymapper.reporting.page.elements import Element, tag
from keymapper.reporting.page.scales import padded_range
from keymapper.reporting.page.tables import figure, folded_table, note_link, scrolling

_SIZE = Size(width=1000, height=280)
_LOWEST_DB = -60.0
_VELOCITY_RANGE_DB = 48.0
_HEADINGS = ("Note", "Root", "Velocities", "Recorded", "As mapped")


def level_figures(content: PageContent) -> list[Element]:
    """Return levels by key, levels by velocity, and the table of both."""
    zones = [zone for zone in content.zones if zone.zone.trigger == "attack"] or content.zones
    rows = (_row(zone, content) for zone in zones)
    return [
        _by_key(content, zones),
        _by_velocity(zones),
        folded_table("Levels", _HEADINGS, rows),
    ]


def velocity_gain_db(zone: Zone, velocity: int) -> float:
    """Return what velocity adds to a zone's own level, in dB; at least -60."""
    if zone.velocity_tracking == "none":
        return 0.0
    if not zone.velocity_gains:
        return max(_LOWEST_DB, 40.0 * math.log10(max(velocity, 1) / 127.0))
    velocities = [point.velocity for point in zone.velocity_gains]
    ratios = [10.0 ** (point.gain_db / 20.0) for point in zone.velocity_gains]
    return 20.0 * math.log10(max(float(np.interp(velocity, velocities, ratios)), 1e-3))


def _by_key(content: PageContent, zones: Sequence[PageZone]) -> Element:
    keys = [zone.zone.root_key for zone in zones] or [60]
    values = [zone.played_dbfs for zone in zones]
    values += [content.notes[zone.note].recorded_dbfs for zone in zones]
    low, high = max(0, min(keys) - 2), min(127, max(keys) + 2)
    frame = frame_of(_SIZE, (low, high), padded_range(values, least=12.0))
    label = f"Level by key: {len(zones)} zones, as recorded and as mapped"
    drawn = [_moved(frame, zone, content) for zone in zones]
    tonal = [zone for zone in zones if zone.zone.play_mode != "one_shot"]
    layers = sorted({(zone.layer, zone.zone.low_velocity) for zone in tonal})
    courses = [_layer_course(frame, tonal, layer) for layer in layers]
    picture = chart(
        frame,
        label,
        x_axis(frame, "root key", key_ticks(low, high, room=frame.right - frame.left)),
        y_axis(frame, "dB re full scale", number_ticks(frame.y.low, frame.y.high, 5)),
        *courses,
        *drawn,
        interactive=True,
    )
    entries = [("dot hollow", "as recorded"), ("dot square level", "as mapped, after all gains")]
    caption = (
        "Level of what goes on sounding, by key. The mapped course should be smooth."
        if tonal
        else "Level of each sound, by key."
    )
    return figure(legend(entries), scrolling(picture, label), caption=caption)


def _moved(frame: Frame, zone: PageZone, content: PageContent) -> Element:
    """Return where a zone was recorded and where it is mapped, with a line from one to other."""
    note, key = content.notes[zone.note], zone.zone.root_key
    title = tag("title", f"{note.name}: {plain_text(zone.played_dbfs)} dB as mapped")
    return tag(
        "a",
        whisker(frame, key, note.recorded_dbfs, zone.played_dbfs, "moved"),
        dot(frame, key, note.recorded_dbfs, "hollow"),
        dot(frame, key, zone.played_dbfs, "square level", title),
        href=f"#note-{zone.note}",
        tabindex="-1",
        aria_hidden="true",
    )


def _layer_course(frame: Frame, zones: Sequence[PageZone], layer: tuple[int, int]) -> Element:
    """Return a line through the mapped levels of one velocity layer; turns are averaged."""
    levels: dict[int, list[float]] = {}
    for zone in zones:
        if (zone.layer, zone.zone.low_velocity) == layer:
            levels.setdefault(zone.zone.root_key, []).append(zone.played_dbfs)
    keys = sorted(levels)
    return polyline(frame, keys, [sum(levels[key]) / len(levels[key]) for key in keys], "through")


def _by_velocity(zones: Sequence[PageZone]) -> Element:
    roots = sorted({zone.zone.root_key for zone in zones})
    chosen = sorted({roots[0], roots[len(roots) // 2], roots[-1]}) if roots else []
    courses = {key: _course(key, zones) for key in chosen}
    values = [value for course in courses.values() for value in course if math.isfinite(value)]
    top = max(values, default=0.0)
    shown = [max(value, top - _VELOCITY_RANGE_DB) for value in values]
    frame = frame_of(_SIZE, (1.0, 127.0), padded_range(shown, least=20.0))
    label = "Level over velocity at the lowest, a middle and the highest recorded key"
    lines = [
        polyline(
            frame,
            np.arange(1, 128),
            np.where(np.array(course) < frame.y.low, np.nan, course),
            f"course-{index}",
        )
        for index, course in enumerate(courses.values())
    ]
    velocities = [(float(v), str(v)) for v in (1, 16, 32, 48, 64, 80, 96, 112, 127)]
    picture = chart(
        frame,
        label,
        x_axis(frame, "velocity", velocities),
        y_axis(frame, "dB re full scale", number_ticks(frame.y.low, frame.y.high, 5)),
        *lines,
    )
    entries = [(f"line course-{n}", key_name(key)) for n, key in enumerate(courses)]
    caption = "Level over velocity. A step is where one layer hands over to the next."
    return figure(legend(entries), scrolling(picture, label), caption=caption)


def _course(key: int, zones: Sequence[PageZone]) -> list[float]:
    """Level at each velocity 1 … 127 on one key: the powers of what sounds, added."""
    here = [
        zone
        for zone in zones
        if zone.zone.low_key <= key <= zone.zone.high_key and zone.zone.round_robin == 1
    ]
    course = []
    for velocity in range(1, 128):
        power = sum(
            10.0 ** ((zone.played_dbfs + velocity_gain_db(zone.zone, velocity)) / 10.0)
            for zone in here
            if zone.zone.low_velocity <= velocity <= zone.zone.high_velocity
        )
        course.append(10.0 * math.log10(power) if power > 0 else math.nan)
    return course


def _row(zone: PageZone, content: PageContent) -> list[str | Element]:
    note, one = content.notes[zone.note], zone.zone
    return [
        note_link(zone.note, note.name),
        key_name(one.root_key),
        f"{one.low_velocity} – {one.high_velocity}",
        f"{plain_text(note.recorded_dbfs)} dB",
        f"{plain_text(zone.played_dbfs)} dB",
    ]
