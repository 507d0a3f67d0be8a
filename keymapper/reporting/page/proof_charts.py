"""What the proof played, beside what was recorded."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from keymapper.model.keys import key_name
from keymapper.model.proof import STEADY_CENTS, PlayedNote, Proof
from keymapper.reporting.page.charts import (
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
from keymapper.reporting.page.content import PageNote
from keymapper.reporting.page.elements import Child, Element, number, tag
from keymapper.reporting.page.scales import padded_range
from keymapper.reporting.page.tables import figure, folded_table, scrolling, table
from keymapper.wording import counted

_FLOOR_DB = -20.0
_SIZE = Size(width=1000, height=280)


def proof_figures(proof: Proof, notes: Sequence[PageNote]) -> list[Element]:
    """Return the worst figures beside their limits, tuning and level as played, and a table."""
    is_tuned = any(note.tuning_cents is not None for note in proof.notes)
    return [
        _limits(proof),
        *([_tuning(proof, notes)] if is_tuned else []),
        _levels(proof) if proof.level_steps else _single_levels(proof),
        folded_table("Every key as played", _HEADINGS, _rows(proof)),
    ]


def _keys(proof: Proof) -> list[int]:
    return sorted({note.key for note in proof.notes})


def _span(proof: Proof) -> tuple[int, int]:
    keys = _keys(proof) or [60]
    return max(0, min(keys) - 1), min(127, max(keys) + 1)


def _limits(proof: Proof) -> Element:
    """Return the worst of each kind beside its limit, and how often that was passed."""
    rows = [_limit_row(kind, proof) for kind in _kinds(proof) if kind.values]
    headings = ("What", "Worst", "Limit", "Beside the limit", "Passed in")
    return table("The worst of each kind beside its limit", headings, rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    name: str
    values: tuple[float, ...]
    limit: float
    unit: str
    rule: str
    floor: float | None = None
    """The least a value can be; None where both signs count alike."""


def _kinds(proof: Proof) -> list[_Kind]:
    limits = proof.limits
    steady = [n.tuning_cents for n in proof.notes if n.movement_cents <= STEADY_CENTS]
    moving = [n.tuning_cents for n in proof.notes if n.movement_cents > STEADY_CENTS]
    steps = [one.step_db for one in proof.level_steps]
    jumps = [one.jump_db for one in proof.hand_overs]
    joins = [one.audibility.worst_db for one in proof.joins]
    tuned = partial(_kind, limit=limits.tuning_cents, unit="ct", rule="proof-tuning")
    clicked = partial(_kind, limit=limits.click_db, unit="dB", floor=_FLOOR_DB)
    return [
        tuned("Tuning of steady sounds", steady),
        tuned("Tuning of moving sounds", moving),
        _kind(
            "Level step to the next key",
            steps,
            limit=limits.neighbour_level_db,
            unit="dB",
            rule="proof-level-step",
        ),
        _kind(
            "Hand-over between layers",
            jumps,
            limit=limits.hand_over_db,
            unit="dB",
            rule="proof-hand-over",
        ),
        _kind(
            "Loop join against hearing",
            joins,
            limit=limits.join_db,
            unit="dB",
            rule="proof-join",
            floor=_FLOOR_DB,
        ),
        clicked(
            "Click at the start", [n.start_click_db for n in proof.notes], rule="proof-start-click"
        ),
        clicked(
            "Click at note-off",
            [n.release_click_db for n in proof.notes],
            rule="proof-release-click",
        ),
        clicked(
            "Click at a choke", [one.click_db for one in proof.chokes], rule="proof-choke-click"
        ),
    ]


def _kind(name: str, values: Iterable[float | None], **more: Any) -> _Kind:
    return _Kind(name=name, values=tuple(v for v in values if v is not None), **more)


def _limit_row(kind: _Kind, proof: Proof) -> list[Child]:
    either = kind.floor is None
    worst = max(kind.values, key=abs if either else float)
    passed = sum(finding.rule == kind.rule for finding in proof.findings)
    low = kind.floor or 0.0
    share = ((abs(worst) if either else worst) - low) / (kind.limit - low)
    return [
        kind.name,
        f"{signed_text(worst, 2)} {kind.unit}",
        f"{'±' if either else ''}{number(kind.limit, 2)} {kind.unit}",
        _bar(share, is_over=passed > 0 and share > 1),
        tag("span", "–", class_="quiet")
        if not passed
        else tag("span", counted(passed, "place"), class_="warning"),
    ]


def _bar(share: float, *, is_over: bool) -> Element:
    """Return a small bar; the upright line is the limit.

    is_over : whether a limit was surely passed; what may be an error of measuring was not.
    """
    width, limit = 180.0, 120.0
    length = min(max(share, 0.0), width / limit) * limit
    return tag(
        "svg",
        tag("rect", x=0, y=3, width=length, height=8, class_="bar over" if is_over else "bar"),
        tag("line", x1=limit, x2=limit, y1=0, y2=14, class_="rule limit-mark"),
        viewBox=f"0 0 {number(width)} 14",
        width=width,
        height=14,
        aria_hidden="true",
        class_="swatch",
    )


def _tuning(proof: Proof, notes: Sequence[PageNote]) -> Element:
    low, high = _span(proof)
    by_key = _ranges(proof.notes, lambda note: note.tuning_cents)
    recorded = [
        (n.root_key, n.tuning_cents)
        for n in notes
        if n.tuning_cents is not None and low <= n.root_key <= high
    ]
    limit = proof.limits.tuning_cents
    values = [v for pair in by_key.values() for v in pair] + [c for _, c in recorded]
    frame = frame_of(
        _SIZE, (low, high), padded_range([*values, 2 * limit], least=4 * limit, around=0.0)
    )
    label = f"Tuning as played on {len(by_key)} keys, beside {len(recorded)} notes as recorded"
    played: list[Element] = []
    for key, (lowest, highest) in by_key.items():
        text = f"{key_name(key)}: {signed_text(lowest, 2)} to {signed_text(highest, 2)} ct"
        played.append(whisker(frame, key, lowest, highest))
        played.append(dot(frame, key, (lowest + highest) / 2, "square small", tag("title", text)))
    picture = chart(
        frame,
        label,
        x_axis(frame, "key", key_ticks(low, high, room=frame.right - frame.left)),
        y_axis(frame, "cents", number_ticks(frame.y.low, frame.y.high, 6, signed=True)),
        level_line(frame, 0.0, "zero"),
        level_line(frame, limit, "limit"),
        level_line(frame, -limit, "limit"),
        *(dot(frame, key, cents, "hollow") for key, cents in recorded),
        *played,
    )
    entries = [
        ("dot hollow", "as recorded"),
        ("dot square small", "as played, each key"),
        ("rule limit", "limit"),
    ]
    return figure(
        legend(entries),
        scrolling(picture, label),
        caption="Tuning as played, beside the recordings",
    )


def _levels(proof: Proof) -> Element:
    low, high = _span(proof)
    velocities = sorted({note.velocity for note in proof.notes})
    chosen = [
        velocities[round(n)] for n in np.linspace(0, len(velocities) - 1, min(4, len(velocities)))
    ]
    values = [note.level_dbfs for note in proof.notes if note.level_dbfs > -120]
    frame = frame_of(_SIZE, (low, high), padded_range(values, least=12.0))
    lines = []
    for index, velocity in enumerate(dict.fromkeys(chosen)):
        course = _ranges(
            [note for note in proof.notes if note.velocity == velocity],
            lambda note: note.level_dbfs,
        )
        keys = sorted(course)
        levels = [max(sum(course[key]) / 2, frame.y.low) for key in keys]
        lines.append((velocity, polyline(frame, keys, levels, f"course-{index}")))
    label = f"Level as played on {len(_keys(proof))} keys, by velocity"
    picture = chart(
        frame,
        label,
        x_axis(frame, "key", key_ticks(low, high, room=frame.right - frame.left)),
        y_axis(frame, "dB re full scale", number_ticks(frame.y.low, frame.y.high, 5)),
        *(line for _, line in lines),
    )
    entries = [
        (f"line course-{n}", f"velocity {velocity}") for n, (velocity, _) in enumerate(lines)
    ]
    return figure(
        legend(entries),
        scrolling(picture, label),
        caption="Level as played. A step between neighbours is what an ear stumbles over",
    )


def _single_levels(proof: Proof) -> Element:
    """Return how loud each sound is that has no even course along the keys to keep to."""
    low, high = _span(proof)
    by_key = _ranges(proof.notes, lambda note: max(note.level_dbfs, -120.0))
    levels = [level for pair in by_key.values() for level in pair]
    frame = frame_of(_SIZE, (low, high), padded_range(levels, least=12.0))
    label = f"Level as played on {len(by_key)} keys, softest to loudest"
    drawn: list[Element] = []
    for key, (softest, loudest) in by_key.items():
        title = tag("title", f"{key_name(key)}: {_span_text((softest, loudest), 1)} dB")
        drawn.append(whisker(frame, key, softest, loudest))
        drawn.append(dot(frame, key, loudest, "square small", title))
    picture = chart(
        frame,
        label,
        x_axis(frame, "key", key_ticks(low, high, room=frame.right - frame.left)),
        y_axis(frame, "dB re full scale", number_ticks(frame.y.low, frame.y.high, 5)),
        *drawn,
    )
    caption = "Level as played, from the softest to the loudest note of each key"
    return figure(scrolling(picture, label), caption=caption)


def _ranges(
    notes: Iterable[PlayedNote], value_of: Callable[[PlayedNote], float | None]
) -> dict[int, tuple[float, float]]:
    """Return the lowest and highest value on each key."""
    found: dict[int, tuple[float, float]] = {}
    for note in notes:
        value = value_of(note)
        if value is not None:
            low, high = found.get(note.key, (value, value))
            found[note.key] = (min(low, value), max(high, value))
    return found


_HEADINGS = ("Key", "Notes played", "Tuning", "Level", "Latest onset", "Samples")


def _rows(proof: Proof) -> Iterable[list[str]]:
    tuning = _ranges(proof.notes, lambda note: note.tuning_cents)
    level = _ranges(proof.notes, lambda note: note.level_dbfs)
    onset = _ranges(proof.notes, lambda note: note.onset_seconds)
    for key in _keys(proof):
        here = [note for note in proof.notes if note.key == key]
        reason = next((n.not_tuned_reason for n in here if n.not_tuned_reason), None)
        yield [
            key_name(key),
            str(len(here)),
            f"{_span_text(tuning[key], 2)} ct" if key in tuning else reason or "–",
            f"{_span_text(level[key], 1)} dB",
            f"{number(1000 * onset[key][1])} ms" if key in onset else "–",
            ", ".join(sorted({sample for note in here for sample in note.samples})),
        ]


def _span_text(pair: tuple[float, float], digits: int) -> str:
    low, high = (signed_text(value, digits) for value in pair)
    return low if low == high else f"{low} to {high}"
