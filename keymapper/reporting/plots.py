"""Measurements as one SVG picture: tuning and level by key, for `keymapper measure --plot`."""

from __future__ import annotations

from collections.abc import Sequence

from keymapper.errors import UsageError
from keymapper.model.keys import key_name
from keymapper.recording import Recording
from keymapper.reporting.page.charts import (
    SVG_NAMESPACE,
    Frame,
    Size,
    chart,
    dot,
    frame_of,
    key_ticks,
    level_line,
    number_ticks,
    plain_text,
    signed_text,
    whisker,
    x_axis,
    y_axis,
)
from keymapper.reporting.page.elements import Element, svg_text, tag
from keymapper.reporting.page.scales import padded_range

_SIZE = Size(width=1000, height=300)
_HEAD = 44.0
_LONGEST_WHISKER_CENTS = 10.0
_STYLE = """
svg { background: #fdfcf8; }
text { font: 13px sans-serif; fill: #4c5a64; }
.title { font: 600 18px serif; fill: #17212a; }
.axis-name { fill: #17212a; }
.across text, .axis text.axis-name { text-anchor: middle; }
.up text { text-anchor: end; }
.grid { stroke: #e7e3d7; fill: none; }
.base, .rule { stroke: #4c5a64; }
.whisker { stroke: #0a6074; stroke-width: 1.6; }
.dot { fill: #0a6074; stroke: #fdfcf8; }
.dot.doubtful { fill: #fdfcf8; stroke: #a8420a; stroke-width: 1.8; }
"""


def measurements_svg(recordings: Sequence[Recording], title: str) -> str:
    """Return tuning and level by key as the text of an SVG file; the same notes, the same text.

    Notes without a pitch are counted in the title and left out of the drawing; doubtful ones are
    drawn hollow.
    """
    pitched = [one for one in recordings if one.measurement.pitch.root_key is not None]
    pitched = [one for one in pitched if one.measurement.pitch.tuning_cents is not None]
    missing = len(recordings) - len(pitched)
    said = f"{title}: {len(recordings)} notes" + (f", {missing} without a pitch" if missing else "")
    height = _HEAD + 2 * _SIZE.height
    parts = [_tuning(pitched), _levels(pitched)] if pitched else []
    for index, part in enumerate(parts):
        part.set("y", f"{_HEAD + index * _SIZE.height:g}")
        part.set("width", f"{_SIZE.width:g}")
        part.set("height", f"{_SIZE.height:g}")
    root = tag(
        "svg",
        tag("title", said),
        tag("style", _STYLE.replace("\n", " ")),
        tag("text", said, x=58, y=28, class_="title"),
        *parts,
        xmlns=SVG_NAMESPACE,
        viewBox=f"0 0 {_SIZE.width:g} {height:g}",
        width=_SIZE.width,
        height=height,
        role="img",
    )
    return svg_text(root)


def png_of(svg: str) -> bytes:
    """Return an SVG drawing as a PNG picture, two pixels to its unit.

    Raises
    ------
    UsageError
        The optional package that draws is not installed.
    """
    try:
        from resvg_py import svg_to_bytes
    except ImportError:
        raise UsageError(
            "a .png needs one more package: pip install 'keymapper[plot]'; an .svg does not."
        ) from None
    return bytes(svg_to_bytes(svg_string=svg, zoom=2))


def _key(recording: Recording) -> int:
    return recording.measurement.pitch.root_key or 0


def _frame(recordings: Sequence[Recording], y_range: tuple[float, float]) -> Frame:
    keys = [_key(one) for one in recordings]
    return frame_of(_SIZE, (max(0, min(keys) - 2), min(127, max(keys) + 2)), y_range)


def _across(frame: Frame) -> Element:
    low, high = int(frame.x.low), int(frame.x.high)
    return x_axis(frame, "key", key_ticks(low, high, room=frame.right - frame.left))


def _kind(recording: Recording) -> str:
    return "doubtful" if recording.measurement.pitch.doubtful else "note"


def _tuning(recordings: Sequence[Recording]) -> Element:
    values = [_bounds(one) for one in recordings]
    reach = [edge for low, _, high in values for edge in (low, high)]
    frame = _frame(recordings, padded_range(reach, least=10.0, around=0.0))
    drawn = []
    for one, (low, cents, high) in zip(recordings, values, strict=True):
        said = f"{one.source.file}: {key_name(_key(one))} {signed_text(cents, 1)} ct"
        drawn.append(whisker(frame, _key(one), low, high))
        drawn.append(dot(frame, _key(one), cents, _kind(one), tag("title", said)))
    cents_ticks = number_ticks(frame.y.low, frame.y.high, 6, signed=True)
    axes = (_across(frame), y_axis(frame, "cents", cents_ticks), level_line(frame, 0.0, "zero"))
    return chart(frame, "Tuning by key", *axes, *drawn)


def _bounds(recording: Recording) -> tuple[float, float, float]:
    """Return a note's tuning between the ends of its error bar, in cents."""
    pitch = recording.measurement.pitch
    cents = pitch.tuning_cents or 0.0
    error = min(pitch.tuning_error_cents or 0.0, _LONGEST_WHISKER_CENTS)
    return cents - error, cents, cents + error


def _levels(recordings: Sequence[Recording]) -> Element:
    levels = [one.measurement.levels.body_dbfs for one in recordings]
    frame = _frame(recordings, padded_range(levels, least=12.0))
    drawn = []
    for one, level in zip(recordings, levels, strict=True):
        title = tag("title", f"{one.source.file}: {plain_text(level)} dB")
        drawn.append(dot(frame, _key(one), level, f"square {_kind(one)}", title))
    ticks = number_ticks(frame.y.low, frame.y.high, 5)
    return chart(
        frame, "Level by key", _across(frame), y_axis(frame, "dB re full scale", ticks), *drawn
    )
