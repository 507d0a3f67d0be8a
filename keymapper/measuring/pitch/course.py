"""How the pitch moves within the note: drift, vibrato, and the glide of the attack."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.pitch.fine import FinePitch
from keymapper.measuring.pitch.glide import (
    ATTACK_SECONDS,
    SETTLED_CENTS,
    Glide,
    attack_track,
    find_glide,
)
from keymapper.measuring.pitch.sustain import Sustain
from keymapper.measuring.pitch.swing import LEAST_COHERENCE, Swing, fit_swing
from keymapper.measuring.pitch.track import part_of, pitch_track

GLIDE_BEYOND = 1.3
LEAST_DEPTH_CENTS = 1.5
ENOUGH_CYCLES = 3.0
LEAST_EXPLAINED = 0.5
LEAST_EXPLAINED_BY_FEW = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How the pitch of a note moves.

    ``swing`` within the window of the fine pitch, a vibrato when ``modulated``; ``glide`` of the
    attack; ``early_cents``: how far the pitch before that window was from the one within.
    """

    swing: Swing
    modulated: bool
    glide: Glide | None
    early_cents: float


def course_of(sustain: Sustain, fine: FinePitch) -> Course | None:
    """Return how the pitch of a note moves; None when it is too short to tell."""
    track = pitch_track(fine.harmonics, fine.vote.agreeing, fine.end_seconds)
    part = None if track is None else part_of(track, fine.start_seconds, fine.end_seconds)
    if track is None or part is None:
        return None
    swing = fit_swing(part)
    modulated = _is_modulated(swing)
    depth = swing.depth_cents if modulated else 0.0
    start = sustain.start_frame / sustain.rate_hz
    early = part_of(track, start, fine.start_seconds)
    early_cents = 0.0 if early is None else float(np.median(early.cents)) - swing.mean_cents
    attack = track.cents[track.seconds < ATTACK_SECONDS] - swing.mean_cents
    glide = None
    if np.any(np.abs(attack) > SETTLED_CENTS + depth):
        steps = attack_track(sustain.mono, sustain.rate_hz, fine.f0_hz)
        glide = None if steps is None else find_glide(steps, GLIDE_BEYOND * depth)
    return Course(swing=swing, modulated=modulated, glide=glide, early_cents=early_cents)


def _is_modulated(swing: Swing) -> bool:
    least = LEAST_EXPLAINED if swing.cycles >= ENOUGH_CYCLES else LEAST_EXPLAINED_BY_FEW
    together = swing.coherence > LEAST_COHERENCE
    return together and swing.depth_cents > LEAST_DEPTH_CENTS and swing.explained > least
