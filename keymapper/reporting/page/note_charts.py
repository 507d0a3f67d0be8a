"""One note close up: waveform, join, pitch over time, spectrum."""

from __future__ import annotations

import numpy as np

from keymapper.model.hearing import band_hz
from keymapper.model.keys import key_name
from keymapper.model.tone import HIGHEST_BAND, LOWEST_BAND
from keymapper.reporting.page.charts import (
    Margins,
    Size,
    area,
    chart,
    filled_under,
    frame_of,
    legend,
    level_line,
    mark,
    number_ticks,
    polyline,
    signed_text,
    stretch,
    x_axis,
    y_axis,
)
from keymapper.reporting.page.content import JoinView, PageNote, PitchView, SampleView
from keymapper.reporting.page.elements import Element, number, tag
from keymapper.reporting.page.scales import padded_range
from keymapper.reporting.page.tables import figure, folded_table, scrolling

_WIDE = Size(width=1000, height=250, margins=Margins(left=58, right=16, top=40, bottom=46))
_HALF = Size(width=500, height=270, margins=Margins(left=56, right=12, top=24, bottom=44))
_OCTAVE_HZ = (31.25, 62.5, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_SPECTRUM_RANGE_DB = 90.0


def note_figures(note: PageNote, facts: Element) -> list[Element]:
    """Return every chart there is data for, facts among them, and one table of what is drawn."""
    drawn: list[Element] = []
    if note.view is not None:
        drawn.append(_wave(note, note.view))
        if note.view.join is not None:
            drawn.append(_join(note, note.view.join))
        if note.view.pitch is not None and note.f0_hz is not None:
            drawn.append(_pitch(note, note.view.pitch))
    if note.bands_db:
        drawn.append(_spectrum(note))
    return [tag("div", *drawn, facts, class_="close-up"), _table(note)]


def _wave(note: PageNote, view: SampleView) -> Element:
    wave = view.wave
    peak = max(float(np.abs(wave.highs).max(initial=0)), float(np.abs(wave.lows).max(initial=0)))
    reach = max(peak * 1.08, 1e-4)
    frame = frame_of(_WIDE, (0.0, wave.seconds), (-reach, reach))
    times = (np.arange(len(wave.lows)) + 0.5) * wave.seconds / len(wave.lows)
    marks = [
        mark(frame, one.seconds, one.name, "moment", row=n % 2) for n, one in enumerate(note.marks)
    ]
    if note.loop_seconds is not None:
        start, end = note.loop_seconds
        marks += [
            mark(frame, start, "loop start", "loop"),
            mark(frame, end, "loop end", "loop", row=1),
        ]
    label = f"Waveform of {note.name}, {number(wave.seconds, 2)} s"
    levels = [(value, signed_text(value, 3)) for value in (-peak, 0.0, peak)]
    picture = chart(
        frame,
        label,
        x_axis(frame, "seconds", number_ticks(0.0, wave.seconds, 8)),
        y_axis(frame, "of full scale", levels),
        stretch(frame, *note.loop_seconds, "loop") if note.loop_seconds else None,
        area(frame, times, (wave.lows, wave.highs), "wave"),
        *marks,
    )
    entries = [("area wave", "the sample as written")]
    if note.loop_seconds is not None:
        entries.append(("stretch loop", "the loop"))
    return figure(legend(entries), scrolling(picture, label), caption="Waveform", kind="wide")


def _join(note: PageNote, join: JoinView) -> Element:
    courses = (join.before_start, join.played, join.after_end)
    peak = max(float(np.nanmax(np.abs(course), initial=0.0)) for course in courses)
    low, high = float(join.milliseconds[0]), float(join.milliseconds[-1])
    frame = frame_of(_HALF, (low, high), (-peak * 1.1 - 1e-5, peak * 1.1 + 1e-5))
    label = f"Join of the loop of {note.name}: what is played, and what lies on the other side"
    picture = chart(
        frame,
        label,
        x_axis(frame, "milliseconds from the join", number_ticks(low, high, 5)),
        y_axis(frame, "of full scale", number_ticks(frame.y.low, frame.y.high, 4)),
        mark(frame, 0.0, "join", "loop"),
        polyline(frame, join.milliseconds, join.before_start, "other"),
        polyline(frame, join.milliseconds, join.after_end, "other"),
        polyline(frame, join.milliseconds, join.played, "played"),
    )
    entries = [
        ("line played", "played: up to the end, then on from the start"),
        ("line other", "the other side: before the start, after the end"),
    ]
    return figure(legend(entries), picture, caption="The join of the loop, enlarged")


def _pitch(note: PageNote, view: PitchView) -> Element:
    offset = note.tuning_cents or 0.0
    cents = view.cents + offset
    middle = np.quantile(cents, [0.04, 0.96])
    frame = frame_of(
        _HALF,
        (0.0, float(view.seconds[-1]) * 1.02 + 1e-3),
        padded_range([*middle.tolist(), 0.0], least=10.0),
    )
    inside = np.clip(cents, frame.y.low, frame.y.high)
    label = f"Pitch of {note.name} over time, in cents above {key_name(note.root_key)}"
    picture = chart(
        frame,
        label,
        x_axis(frame, "seconds", number_ticks(0.0, frame.x.high, 5)),
        y_axis(frame, "cents", number_ticks(frame.y.low, frame.y.high, 5, signed=True)),
        level_line(frame, 0.0, "zero"),
        level_line(frame, offset, "whole"),
        polyline(frame, view.seconds, inside, "pitch"),
    )
    entries = [("line pitch", "pitch over time"), ("rule whole", "the note as a whole")]
    return figure(legend(entries), picture, caption=f"Pitch against {key_name(note.root_key)}")


def _spectrum(note: PageNote) -> Element:
    hz = np.asarray(band_hz(np.arange(LOWEST_BAND, HIGHEST_BAND + 1.0)))
    levels = np.asarray(note.bands_db)
    top = float(np.ceil(levels.max() / 10) * 10)
    frame = frame_of(
        _HALF, (float(hz[0]), float(hz[-1])), (top - _SPECTRUM_RANGE_DB, top), log_x=True
    )
    ticks = [
        (hertz, f"{hertz / 1000:g}k" if hertz >= 1000 else f"{hertz:.0f}") for hertz in _OCTAVE_HZ
    ]
    label = f"Spectrum of {note.name}: level of each semitone"
    pitch = mark(frame, note.f0_hz, "pitch", "moment") if note.f0_hz else None
    picture = chart(
        frame,
        label,
        x_axis(frame, "Hz", ticks),
        y_axis(frame, "dB a semitone", number_ticks(frame.y.low, frame.y.high, 5)),
        filled_under(frame, hz, np.maximum(levels, frame.y.low), "spectrum"),
        pitch,
    )
    return figure(
        legend([("area spectrum", "level of each semitone, whole note")]),
        picture,
        caption="Spectrum",
    )


def _table(note: PageNote) -> Element:
    """Return what the four charts show, in figures."""
    rows: list[list[str]] = [[one.name, f"{number(one.seconds, 3)} s"] for one in note.marks]
    if note.loop_seconds is not None:
        start, end = note.loop_seconds
        rows += [["loop start", f"{number(start, 4)} s"], ["loop end", f"{number(end, 4)} s"]]
    view = note.view
    if view is not None:
        rows.append(["end of the sample", f"{number(view.wave.seconds, 3)} s"])
        if view.join is not None:
            gap = view.join.played - np.where(
                np.isnan(view.join.before_start), view.join.after_end, view.join.before_start
            )
            ratio = float(np.sqrt(np.nanmean(gap**2) / max(np.nanmean(view.join.played**2), 1e-12)))
            rows.append(
                [
                    "difference of both sides at the join",
                    f"{20 * np.log10(max(ratio, 1e-5)):.0f} dB",
                ]
            )
        if view.pitch is not None:
            cents = view.pitch.cents + (note.tuning_cents or 0.0)
            rows.append(
                [
                    "pitch, lowest to highest",
                    f"{signed_text(float(cents.min()), 1)} to "
                    f"{signed_text(float(cents.max()), 1)} ct",
                ]
            )
    if note.f0_hz is not None:
        rows.append(["pitch of the whole note", f"{number(note.f0_hz, 2)} Hz"])
    rows += [[f"level at {name}", level] for name, level in _octave_levels(note)]
    return folded_table(f"What is drawn of {note.name}", ("What", "Figure"), rows)


def _octave_levels(note: PageNote) -> list[tuple[str, str]]:
    if not note.bands_db:
        return []
    hz = np.asarray(band_hz(np.arange(LOWEST_BAND, HIGHEST_BAND + 1.0)))
    powers = 10.0 ** (np.asarray(note.bands_db) / 10.0)
    found = []
    for middle in _OCTAVE_HZ:
        inside = (hz >= middle / 2**0.5) & (hz < middle * 2**0.5)
        level = 10.0 * float(np.log10(max(float(powers[inside].sum()), 1e-20)))
        found.append((f"{middle:g} Hz (octave)", f"{level:.0f} dB"))
    return found
