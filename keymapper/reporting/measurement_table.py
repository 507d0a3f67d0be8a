"""Measurements as a table for the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.table import Table

from keymapper.model.keys import key_name
from keymapper.reporting.bars import bar_about_zero
from keymapper.reporting.measurements import Row
from keymapper.reporting.plain import one_line

LEAST_REACH_CENTS = 5.0
_BAR = " flat│sharp"
_HEADINGS = (
    "file",
    "key",
    "tuning",
    _BAR,
    "± ct",
    "sure",
    "drift",
    "vibrato",
    "peak",
    "loudness",
    "loop",
    "",
)


def measurement_table(rows: Sequence[Row]) -> Table:
    """Return one line a note."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in _HEADINGS:
        table.add_column(heading, justify="left" if heading in ("file", "", _BAR) else "right")
    reach = max([LEAST_REACH_CENTS, *(abs(row["tuning_cents"] or 0.0) for row in rows)])
    for row in rows:
        table.add_row(*_cells(row, reach))
    return table


def _cells(row: Row, reach_cents: float) -> Iterator[str]:
    yield one_line(row["file"])
    yield "–" if row["root_key"] is None else key_name(row["root_key"])
    yield _number(row["tuning_cents"], "+.2f")
    yield bar_about_zero(row["tuning_cents"], reach_cents)
    yield _number(row["tuning_error_cents"], ".2f")
    yield f"{100 * row['pitch_confidence']:.0f} %"
    yield _number(row["drift_cents_per_second"], "+.2f", " ct/s")
    yield _number(row["vibrato_hz"], ".2f", " Hz")
    yield _number(row["peak_dbfs"], ".1f", " dB")
    yield _number(row["loudness_lufs"], ".1f", " LUFS")
    loop = row["loop"]
    frames = None if loop is None else loop["end_frame"] - loop["start_frame"]
    yield _number(None if frames is None else frames / row["rate"], ".3f", " s")
    yield "look at: " + ", ".join(row["doubts"]) if row["doubtful"] else ""


def _number(value: float | None, how: str, unit: str = "") -> str:
    return "–" if value is None else f"{value:{how}}{unit}"
