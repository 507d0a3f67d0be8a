"""How many cents the exact pitch may be wrong."""

from __future__ import annotations

import math

from keymapper.measuring.pitch.course import PitchCourse
from keymapper.measuring.pitch.fine import FinePitch
from keymapper.measuring.pitch.phase_line import PhaseLine

FLOOR_HZ = 1e-4
MOST_CENTS = 4.5
UNTRACKED_SHARE = 2.0
BASE_SHARE = 0.5
LINE_SHARE = 2.5
DRIFT_SHARE, DRIFT_KNEE = 2.2, 0.1
SCATTER_SHARE, SCATTER_KNEE = 4.0, 0.05
EARLY_SHARE, EARLY_KNEE = 2.2, 0.2
DISSENT_CENTS, DISSENT_KNEE = 1.4, 0.1
STRETCH_SHARE, STRETCH_KNEE = 4.0, 0.2
DEPTH_SHARE = 0.03
FEW_CYCLES_SHARE = 2.0
REST_SHARE = 0.4
WANDER_SHARE = 3.4
UNHEARD_CENTS, UNHEARD_SECONDS = 3.0, 1.5


def tuning_error(fine: FinePitch, course: PitchCourse | None, line: PhaseLine | None) -> float:
    """Return the half width, in cents, of the interval that holds the pitch 95 times in 100.

    The standard error of the vote, and whatever says that the sound has no one pitch: partials
    that disagree or are stretched, a pitch that drifts, wanders, swings, or began elsewhere, a look
    too short to see that. The shares were set on tones of our own making (95 % inside); what moves
    the pitch alone counts at most 4.5 cents.
    """
    base, floor = fine.vote.error_cents, 1731 * FLOOR_HZ / fine.f0_hz
    if line is not None:
        base = LINE_SHARE * line.error_cents / BASE_SHARE
    if course is None:
        return max(floor, UNTRACKED_SHARE * base)
    terms = _swinging(fine, course) if course.modulated else _steady(fine, course, line)
    moving = math.hypot(*terms)
    return max(floor, math.hypot(BASE_SHARE * base, moving / (1 + moving / MOST_CENTS)))


def _beyond(value: float, knee: float) -> float:
    """Return a value with what is small against the knee suppressed: all tones show a little."""
    return value * value / (abs(value) + knee)


def _steady(fine: FinePitch, course: PitchCourse, line: PhaseLine | None) -> tuple[float, ...]:
    vote, swing = fine.vote, course.swing
    stretch = 0.0
    if fine.is_period or vote.inharmonicity != 0:
        stretch = 1200 * math.log2(vote.period_hz / vote.f0_hz)
    scatter = vote.scatter_cents if line is None else 0.0  # of a straight line, it is noise
    return (
        DRIFT_SHARE * _beyond(swing.drift_cents_per_second * fine.window_seconds, DRIFT_KNEE),
        SCATTER_SHARE * _beyond(scatter, SCATTER_KNEE),
        EARLY_SHARE * _beyond(course.early_cents, EARLY_KNEE),
        DISSENT_CENTS * _beyond(1 - vote.share, DISSENT_KNEE),
        STRETCH_SHARE * _beyond(stretch, STRETCH_KNEE),
        _unheard(fine),
    )


def _swinging(fine: FinePitch, course: PitchCourse) -> tuple[float, ...]:
    swing = course.swing
    cycles = max(swing.cycles, 1.0)
    return (
        DEPTH_SHARE * swing.depth_cents,
        FEW_CYCLES_SHARE * swing.depth_cents / cycles**2,
        REST_SHARE * swing.deviation_cents * math.sqrt(1 - swing.explained) / math.sqrt(cycles),
        WANDER_SHARE * swing.wander_cents,
        _unheard(fine),
    )


def _unheard(fine: FinePitch) -> float:
    """Return what a short look cannot rule out: a source that wanders more slowly than that."""
    return UNHEARD_CENTS * max(0.0, 1 - fine.window_seconds / UNHEARD_SECONDS)
