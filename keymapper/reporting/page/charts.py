"""Charts as SVG elements: a frame with axes, and what is drawn in it.

Colours, weights and type come from the style sheet by class; only geometry stands here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from keymapper.model.keys import key_name
from keymapper.reporting.page.elements import Child, Element, number, tag
from keymapper.reporting.page.scales import AxisScale, ticks

SVG_NAMESPACE = "http://www.w3.org/2000/svg"


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """Room around the plot for axes and their labels, in units of the chart."""

    left: float = 58.0
    right: float = 16.0
    top: float = 12.0
    bottom: float = 46.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The plot of a chart: how big it is and where values lie in it."""

    width: float
    height: float
    margins: Margins
    x: AxisScale
    y: AxisScale

    @property
    def left(self) -> float:
        """Left edge of the plot."""
        return self.margins.left

    @property
    def right(self) -> float:
        """Right edge of the plot."""
        return self.width - self.margins.right

    @property
    def top(self) -> float:
        """Upper edge of the plot."""
        return self.margins.top

    @property
    def bottom(self) -> float:
        """Lower edge of the plot."""
        return self.height - self.margins.bottom


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """Of a whole chart, in units of about a pixel."""

    width: float
    height: float
    margins: Margins = Margins()


def frame_of(
    size: Size,
    x_range: tuple[float, float],
    y_range: tuple[float, float],
    *,
    log_x: bool = False,
) -> Frame:
    """Return the frame of a chart whose axes span two ranges."""
    margins = size.margins
    right, bottom = size.width - margins.right, size.height - margins.bottom
    return Frame(
        width=size.width,
        height=size.height,
        margins=margins,
        x=AxisScale(
            low=x_range[0], high=x_range[1], start=margins.left, end=right, logarithmic=log_x
        ),
        y=AxisScale(low=y_range[0], high=y_range[1], start=bottom, end=margins.top),
    )


def chart(frame: Frame, label: str, *children: Child, interactive: bool = False) -> Element:
    """Return a chart as one picture with a label, or as a group of things to operate."""
    return tag(
        "svg",
        *children,
        xmlns=SVG_NAMESPACE,
        viewBox=f"0 0 {number(frame.width)} {number(frame.height)}",
        role="group" if interactive else "img",
        aria_label=label,
        class_="chart",
    )


def x_axis(frame: Frame, label: str, values: Sequence[tuple[float, str]]) -> Element:
    """Return the lower axis with grid lines; values are (value, text) pairs."""
    places = [frame.x(value) for value, _ in values]
    grid = "".join(f"M{number(x)} {number(frame.top)}V{number(frame.bottom)}" for x in places)
    words = [
        tag("text", text, x=x, y=frame.bottom + 18)
        for x, (_, text) in zip(places, values, strict=True)
    ]
    middle = (frame.left + frame.right) / 2
    return tag(
        "g",
        tag("path", d=grid, class_="grid"),
        *words,
        _line(frame.left, frame.bottom, frame.right, frame.bottom, "base"),
        tag("text", label, x=middle, y=frame.height - 6, class_="axis-name"),
        class_="axis across",
    )


def y_axis(frame: Frame, label: str, values: Sequence[tuple[float, str]]) -> Element:
    """Return the left axis with grid lines; values are (value, text) pairs."""
    places = [frame.y(value) for value, _ in values]
    grid = "".join(f"M{number(frame.left)} {number(y)}H{number(frame.right)}" for y in places)
    words = [
        tag("text", text, x=frame.left - 8, y=y + 4)
        for y, (_, text) in zip(places, values, strict=True)
    ]
    turned = f"translate(14 {number((frame.top + frame.bottom) / 2)}) rotate(-90)"
    return tag(
        "g",
        tag("path", d=grid, class_="grid"),
        *words,
        tag("text", label, transform=turned, class_="axis-name"),
        class_="axis up",
    )


def number_ticks(
    low: float, high: float, count: int = 6, *, signed: bool = False
) -> list[tuple[float, str]]:
    """Return round values in a range and their texts; signed ones carry + and a true minus."""
    return [
        (value, signed_text(value) if signed else plain_text(value, 3))
        for value in ticks(low, high, count)
    ]


def signed_text(value: float, digits: int = 3) -> str:
    """Return a number with its sign, zero without one."""
    text = number(abs(value), digits)
    if text == "0":
        return "0"
    return f"+{text}" if value > 0 else f"−{text}"


def plain_text(value: float, digits: int = 1) -> str:
    """Return a number for people, with a true minus."""
    return number(value, digits).replace("-", "−")


def key_ticks(low: int, high: int, room: float) -> list[tuple[float, str]]:
    """Return the Cs between two keys with their names; fewer where there is little room."""
    octaves = max(1, (high - low) // 12)
    every = 12 * max(1, round(octaves * 44 / max(room, 1)))
    found = [key for key in range(low, high + 1) if key % 12 == 0]
    if len(found) < 2:
        return [
            (float(key), key_name(key)) for key in range(low, high + 1, max(1, (high - low) // 6))
        ]
    return [(float(key), key_name(key)) for key in found if (key - found[0]) % every == 0]


def polyline(
    frame: Frame, xs: Sequence[float] | np.ndarray, ys: Sequence[float] | np.ndarray, kind: str
) -> Element:
    """Return a line through points; values that are not finite break it."""
    return tag("path", d=_path(frame.x.many(xs), frame.y.many(ys)), class_=f"line {kind}")


def area(
    frame: Frame, xs: Sequence[float] | np.ndarray, bounds: tuple[np.ndarray, np.ndarray], kind: str
) -> Element:
    """Return the surface between a lower and an upper course."""
    places = frame.x.many(xs)
    round_trip = np.concatenate([places, places[::-1]])
    ys = np.concatenate([frame.y.many(bounds[1]), frame.y.many(bounds[0])[::-1]])
    return tag("path", d=f"{_path(round_trip, ys)}Z", class_=f"area {kind}")


def filled_under(
    frame: Frame, xs: Sequence[float] | np.ndarray, ys: Sequence[float] | np.ndarray, kind: str
) -> Element:
    """Return the surface between a course and the lower edge of the plot."""
    line = _path(frame.x.many(xs), frame.y.many(ys))
    left = number(frame.x(float(xs[0])))
    return tag("path", d=f"{line}V{number(frame.bottom)}H{left}Z", class_=f"area {kind}")


def _path(xs: np.ndarray, ys: np.ndarray) -> str:
    """Return the commands of a path through points, in tenths of a unit, each from the last."""
    there = np.isfinite(xs) & np.isfinite(ys)
    tenths = np.rint(10 * np.where(there, [xs, ys], 0.0)).astype(int).T
    goes_on = there.copy()
    goes_on[1:] &= there[:-1]
    goes_on[:1] = False
    steps = np.diff(tenths, axis=0, prepend=0)
    steps[~goes_on] = tenths[~goes_on]
    drawn = zip(steps[there].tolist(), goes_on[there].tolist(), strict=True)
    return "".join(_command(across, down, on) for (across, down), on in drawn)


def _command(across: int, down: int, goes_on: bool) -> str:
    """Return how a path moves to its next point, or begins there."""
    if not goes_on:
        return f"M{_tenths(across)} {_tenths(down)}"
    return f"l{_tenths(across)} {_tenths(down)}" if down else f"h{_tenths(across)}"


@lru_cache(maxsize=4096)
def _tenths(count: int) -> str:
    return f"{count / 10:g}"


def dot(frame: Frame, x: float, y: float, kind: str, *children: Child, **more: str) -> Element:
    """Return one point; its shape is part of its class, so that colour says nothing alone."""
    cx, cy = frame.x(x), frame.y(y)
    if "square" in kind:
        return tag(
            "rect", *children, x=cx - 4, y=cy - 4, width=8, height=8, class_=f"dot {kind}", **more
        )
    if "diamond" in kind:
        d = f"M{number(cx)} {number(cy - 6)}l6 6l-6 6l-6 -6Z"
        return tag("path", *children, d=d, class_=f"dot {kind}", **more)
    return tag("circle", *children, cx=cx, cy=cy, r=4.5, class_=f"dot {kind}", **more)


def whisker(frame: Frame, x: float, low: float, high: float, kind: str = "error") -> Element:
    """Return an upright line between two values, for example an error bar."""
    return _line(frame.x(x), frame.y(low), frame.x(x), frame.y(high), f"whisker {kind}")


def level_line(frame: Frame, y: float, kind: str) -> Element:
    """Return a line across the plot at one value."""
    return _line(frame.left, frame.y(y), frame.right, frame.y(y), f"rule {kind}")


def mark(frame: Frame, x: float, text: str, kind: str, *, row: int = 0) -> Element:
    """Return an upright line with a word over the plot; higher rows keep words apart."""
    place, head = frame.x(x), frame.top - 5 - 15 * row
    right = place > (frame.left + frame.right) / 2
    word = tag(
        "text",
        text,
        x=place - 4 if right else place + 4,
        y=head,
        text_anchor="end" if right else "start",
    )
    return tag(
        "g", _line(place, head - 10, place, frame.bottom, "rule"), word, class_=f"mark {kind}"
    )


def stretch(frame: Frame, start: float, end: float, kind: str) -> Element:
    """Return a shaded range of the x axis."""
    left, right = frame.x(start), frame.x(end)
    return tag(
        "rect",
        x=left,
        y=frame.top,
        width=max(right - left, 0.5),
        height=frame.bottom - frame.top,
        class_=f"stretch {kind}",
    )


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> Element:
    return tag("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=kind)


def legend(entries: Iterable[tuple[str, str]]) -> Element:
    """Return a legend of (kind, text) pairs; a kind is drawn as it is in the chart."""
    return tag("ul", *(_entry(kind, text) for kind, text in entries), class_="legend")


def _entry(kind: str, text: str) -> Element:
    small = Frame(
        width=26,
        height=14,
        margins=Margins(left=0, right=0, top=0, bottom=0),
        x=AxisScale(low=0, high=1, start=0, end=26),
        y=AxisScale(low=0, high=1, start=14, end=0),
    )
    if kind.startswith(("dot ", "whisker")):
        drawn = dot(small, 0.5, 0.5, kind.removeprefix("dot "))
    elif kind.startswith(("stretch ", "area ")):
        drawn = tag("rect", x=1, y=2, width=24, height=10, class_=kind)
    else:
        drawn = tag("line", x1=1, y1=7, x2=25, y2=7, class_=kind)
    picture = tag(
        "svg", drawn, viewBox="0 0 26 14", width=26, height=14, aria_hidden="true", class_="swatch"
    )
    return tag("li", picture, text)
