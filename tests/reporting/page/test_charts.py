"""Courses as the commands of a path."""

from __future__ import annotations

import math
import re
from itertools import groupby

from hypothesis import given
from hypothesis import strategies as st

from keymapper.reporting.page.charts import Margins, Size, frame_of, polyline

FRAME = frame_of(
    Size(width=300, height=200, margins=Margins(left=0, right=0, top=0, bottom=0)),
    (0.0, 300.0),
    (200.0, 0.0),  # so that values are places
)
VALUES = st.one_of(st.just(math.nan), st.floats(0, 200))


def drawn(path: str) -> list[list[tuple[float, float]]]:
    """Return the points of every stretch of a path."""
    stretches: list[list[tuple[float, float]]] = []
    for command, numbers in re.findall(r"([Mlh])([-\d. ]+)", path):
        across, down = [*map(float, numbers.split()), 0.0][:2]
        if command == "M":
            stretches.append([(across, down)])
        else:
            last = stretches[-1][-1]
            stretches[-1].append((last[0] + across, last[1] + down))
    return stretches


@given(st.lists(VALUES, max_size=30))
def test_a_course_is_drawn_through_its_points_and_broken_where_it_has_none(
    values: list[float],
) -> None:
    points = list(zip([10.0 * place for place in range(len(values))], values, strict=True))
    wanted = [
        list(part) for there, part in groupby(points, lambda p: not math.isnan(p[1])) if there
    ]
    line = polyline(FRAME, [x for x, _ in points], values, "kind")
    got = drawn(line.get("d") or "")
    assert [len(part) for part in got] == [len(part) for part in wanted]
    for one, other in zip(got, wanted, strict=True):
        for (x, y), (true_x, true_y) in zip(one, other, strict=True):
            assert abs(x - true_x) < 0.06
            assert abs(y - true_y) < 0.06
