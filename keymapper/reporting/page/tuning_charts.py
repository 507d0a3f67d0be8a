"""How the notes are tuned: by key, over the recording session, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from keymapper.model.finding import Diagnosis, TuningRow
from keymapper.model.keys import key_name
from keymapper.reporting.page.charts import (
    Frame,
    Size,
    chart,
    dot,
    frame_of,
    key_ticks,
    legend,
    level_line,
    number_ticks,
    polyline,
    signed_text,
    whisker,
    x_axis,
    y_axis,
)
from keymapper.reporting.page.content import TuningSet
from keymapper.reporting.page.elements import Element, number, prose, tag
from keymapper.reporting.page.scales import padded_range
from keymapper.reporting.page.tables import figure, folded_table, note_link, scrolling

_SIZE = Size(width=1000, height=300)
_LONGEST_WHISKER_CENTS = 10.0
_SPREAD_KEYS = 1.6
"""Room in which the notes of one key stand side by side."""
_HEADINGS = ("Note", "Key", "Minute", "Recorded", "Error", "Explained", "Rest", "Remark")


def tuning_figures(one: TuningSet) -> list[Element]:
    """Return the charts of one set, with the diagnosis drawn in, and their table."""
    figures = [_by_key(one)]
    if sum(row.minutes is not None and row.measured_cents is not None for row in one.rows) > 1:
        figures.append(_over_time(one))
    rows = (_row(row, one.notes) for row in one.rows)
    return [*figures, folded_table(f"Tuning of {one.name}", _HEADINGS, rows)]


def _measured(one: TuningSet) -> list[tuple[TuningRow, float]]:
    return [(row, row.measured_cents) for row in one.rows if row.measured_cents is not None]


def _by_key(one: TuningSet) -> Element:
    measured = _measured(one)
    keys = [row.key for row, _ in measured] or [60]
    low, high = max(0, min(keys) - 2), min(127, max(keys) + 2)
    frame = _frame(one, (float(low), float(high)))
    label = f"Tuning by key: {len(measured)} notes of {one.name}, in cents above their keys"
    fitted = []
    if one.diagnosis is not None:
        ends = np.array([low, high], dtype=float)
        fitted = [polyline(frame, ends, _slope(one.diagnosis, ends), "fit")]
    picture = chart(
        frame,
        label,
        *_axes(frame, "key", key_ticks(low, high, room=frame.right - frame.left)),
        *fitted,
        *(
            _point(frame, place, noted, one.notes)
            for place, noted in zip(_spread(measured), measured, strict=True)
        ),
        interactive=True,
    )
    entries = [("dot note", "a note as recorded, with its error bar")]
    if fitted:
        entries.append(("line fit", "offset and slope over the keyboard"))
    if any(row.outlier for row, _ in measured):
        entries.append(("dot diamond outlier", "does not fit the rest"))
    caption = "Tuning by key: above the line is sharp, below is flat."
    if one.corrected:
        caption += " The build takes this away."
    return figure(legend(entries), scrolling(picture, label), caption=caption)


def _spread(measured: Sequence[tuple[TuningRow, float]]) -> list[float]:
    """Return a place for each note about its key: several of one key stand side by side."""
    places: list[float] = []
    of_key: dict[int, int] = Counter(row.key for row, _ in measured)
    seen: dict[int, int] = Counter()
    for row, _ in measured:
        step = min(_SPREAD_KEYS / max(of_key[row.key] - 1, 1), 0.4)
        places.append(row.key + step * (seen[row.key] - (of_key[row.key] - 1) / 2))
        seen[row.key] += 1
    return places


def _over_time(one: TuningSet) -> Element:
    timed = [
        (row, cents - _by_slope(one.diagnosis, row.key), row.minutes)
        for row, cents in _measured(one)
        if row.minutes is not None
    ]
    last = max(minutes for _, _, minutes in timed)
    first = min(minutes for _, _, minutes in timed)
    room = max(last - first, 1e-3)
    frame = _frame(one, (first - 0.02 * room, last + 0.02 * room))
    unit = _time_unit(one.diagnosis)
    fitted = []
    warm = None if one.diagnosis is None else one.diagnosis.warm_up
    if one.diagnosis is not None and warm is not None and warm.kind != "none":
        times = np.linspace(first, last, 120)
        fitted = [polyline(frame, times, _course(one.diagnosis, times - first), "fit")]
    label = f"Tuning over the session: {len(timed)} notes of {one.name} in the order of recording"
    picture = chart(
        frame,
        label,
        *_axes(
            frame, f"time into the recording, {unit}", number_ticks(frame.x.low, frame.x.high, 8)
        ),
        *fitted,
        *(_point(frame, minutes, (row, cents), one.notes) for row, cents, minutes in timed),
        interactive=True,
    )
    said = ", the slope over the keyboard taken off" if one.diagnosis else ""
    entries = [("dot note", f"a note as recorded{said}")]
    if fitted:
        entries.append(("line fit", "how the whole set moved"))
    return figure(
        legend(entries),
        scrolling(picture, label),
        caption="Tuning over the session. A slope or a bend here is the synth warming up.",
    )


def _time_unit(diagnosis: Diagnosis | None) -> str:
    warm = None if diagnosis is None else diagnosis.warm_up
    return "minutes" if warm is None or warm.in_minutes else "notes"


def _by_slope(diagnosis: Diagnosis | None, key: int) -> float:
    """Return what the slope over the keyboard adds to a key, in cents."""
    if diagnosis is None:
        return 0.0
    return diagnosis.slope_cents_per_octave.value * (key - 60) / 12.0


def _slope(diagnosis: Diagnosis, keys: np.ndarray) -> np.ndarray:
    """Offset and slope alone, at the end of the recording."""
    slope = diagnosis.slope_cents_per_octave.value
    line: np.ndarray = diagnosis.offset_cents.value + slope * (keys - 60.0) / 12.0
    return line


def _course(diagnosis: Diagnosis, since: np.ndarray) -> np.ndarray:
    """Return the course of the set as a whole, straight or settling.

    Straight, it has come down to the offset at the last note; settling, in the end.
    """
    warm, offset = diagnosis.warm_up, diagnosis.offset_cents.value
    if warm is None:
        return np.full_like(since, offset)
    if warm.kind == "settling" and warm.settling_minutes:
        left = np.exp(-since / warm.settling_minutes)
    else:
        left = 1.0 - since / max(warm.span_minutes, 1e-9)
    course: np.ndarray = offset + warm.depth_cents.value * left
    return course


def _frame(one: TuningSet, x_range: tuple[float, float]) -> Frame:
    values = [cents for _, cents in _measured(one)]
    values += [
        cents + sign * min(row.error_cents or 0.0, _LONGEST_WHISKER_CENTS)
        for row, cents in _measured(one)
        for sign in (-1, 1)
    ]
    return frame_of(_SIZE, x_range, padded_range([*values, 0.0], least=10.0))


def _axes(frame: Frame, name: str, ticks: list[tuple[float, str]]) -> list[Element]:
    cents = number_ticks(frame.y.low, frame.y.high, 6, signed=True)
    return [
        x_axis(frame, name, ticks),
        y_axis(frame, "cents", cents),
        level_line(frame, 0.0, "zero"),
    ]


def _point(
    frame: Frame, x: float, one: tuple[TuningRow, float], notes: Mapping[str, int]
) -> Element:
    row, cents = one
    error = row.error_cents or 0.0
    title = tag("title", f"{row.file}: {signed_text(cents, 1)} ct")
    kind = "diamond outlier" if row.outlier else "note"
    low = max(cents - error, frame.y.low)
    high = min(cents + error, frame.y.high)
    bar = whisker(frame, x, low, high) if error > 0 else None
    return _linked(notes.get(row.file), bar, dot(frame, x, cents, kind, title))


def _linked(note: int | None, *drawn: Element | None) -> Element:
    """Return what was drawn as a link to the note's close-up; the table has it for the keyboard."""
    if note is None:
        return tag("g", *drawn)
    return tag("a", *drawn, href=f"#note-{note}", tabindex="-1", aria_hidden="true")


def _row(row: TuningRow, notes: Mapping[str, int]) -> list[str | Element]:
    def cents(value: float | None) -> str:
        return "–" if value is None else f"{signed_text(value, 1)} ct"

    error = "–" if row.error_cents is None else f"± {number(row.error_cents)} ct"
    minute = "–" if row.minutes is None else number(row.minutes, 2)
    remark = row.reason or ("does not fit the rest" if row.outlier else "")
    return [
        note_link(notes.get(row.file), row.file),
        key_name(row.key),
        minute,
        cents(row.measured_cents),
        error,
        cents(row.explained_cents),
        cents(row.rest_cents),
        remark,
    ]


def diagnosis_text(diagnosis: Diagnosis) -> Element:
    """Return the diagnosis in words: the sentence, what each cause explains, what to do."""
    shares = diagnosis.explained
    causes = [
        ("slope over the keyboard", shares.slope),
        ("warm-up", shares.warm_up),
        ("velocity", shares.velocity),
        ("the single notes", shares.rest),
    ]
    explained = ", ".join(f"{name} {100 * share:.0f} %" for name, share in causes)
    order = diagnosis.order_from
    source = "No recording order is known." if order == "none" else f"Order taken from: {order}."
    return tag(
        "div",
        tag("p", diagnosis.sentence, class_="lead"),
        tag("ul", *(tag("li", *prose(advice)) for advice in diagnosis.advice), class_="advice"),
        tag("p", f"Spread explained by {explained}. {source}", class_="quiet"),
        class_="diagnosis",
    )
