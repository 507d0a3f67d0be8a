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
from keymapper.measuring.pitch.harmonics import cut_harmonics, note_spectrum
from keymapper.measuring.pitch.sustain import Sustain
from keymapper.measuring.pitch.swing import LEAST_COHERENCE, Swing, fit_swing
from keymapper.measuring.pitch.track import Track, part_of, pitch_track

GLIDE_BEYOND = 1.3
"""Times the depth of the vibrato: what swings less is no glide."""
DEEP_CENTS = 20.0
"""Of standard deviation: the vote may see one turning point of so deep a swing."""
DEEP_ORDERS = tuple(range(1, 9))
LARGEST_DEEP_SWING = 0.09
"""Ratio by which the pitch may be off the middle, with few harmonics."""
DEEP_PASSES = 4
CENTRED_CENTS = 0.2
LEAST_DEPTH_CENTS = 1.5
ENOUGH_CYCLES = 3.0
LEAST_EXPLAINED, LEAST_EXPLAINED_BY_FEW = 0.5, 0.85
"""Share of the movement that the sine of a vibrato explains, of many cycles and of few."""
MOVING_SECONDS = 0.3
LEAST_MOVED_CENTS = 4.0
STILL_SECONDS, STILL_SHARE = 0.4, 0.6
SET_IN_SHARE = 0.85
GOES_ON_SHARE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class PitchCourse:
    """How the pitch of a note moves.

    ``swing`` within the window of the fine pitch, around ``centre_hz``; a vibrato when
    ``modulated``; ``glide`` of the attack; ``early_cents``: how far the pitch before that window
    was from the one within; ``moving_from_seconds`` of the sustain's mono, where the pitch stands
    still before.
    """

    swing: Swing
    centre_hz: float
    modulated: bool
    glide: Glide | None
    early_cents: float
    moving_from_seconds: float | None


def course_of(sustain: Sustain, fine: FinePitch) -> PitchCourse | None:
    """Return how the pitch of a note moves; None when it is too short to tell."""
    track = pitch_track(fine.harmonics, fine.vote.agreeing, fine.end_seconds)
    part = _within(track, fine)
    if track is None or part is None:
        return None
    swing = fit_swing(part)
    if swing.deviation_cents > DEEP_CENTS:
        track, swing = _deep_swing(sustain, fine, track, swing)
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
    return PitchCourse(
        swing=swing,
        centre_hz=_centre_hz(track, swing),
        modulated=modulated,
        glide=glide,
        early_cents=early_cents,
        moving_from_seconds=_moving_from_seconds(track),
    )


def _within(track: Track | None, fine: FinePitch) -> Track | None:
    """Return the steps within the window of the fine pitch."""
    return None if track is None else part_of(track, fine.start_seconds, fine.end_seconds)


def _centre_hz(track: Track, swing: Swing) -> float:
    return track.f0_hz * 2 ** (swing.mean_cents / 1200)


def _deep_swing(
    sustain: Sustain, fine: FinePitch, track: Track, swing: Swing
) -> tuple[Track, Swing]:
    """Return track and swing of the lowest harmonics, cut anew around the middle of the swing.

    A deep vibrato dwells at its turning points, where the vote may see the pitch, and leaves the
    bands cut around one of them. As they were where the pitch moves otherwise.
    """
    spectrum = note_spectrum(sustain.mono, sustain.rate_hz)
    followed, found = track, swing
    for _ in range(DEEP_PASSES):
        harmonics = cut_harmonics(spectrum, _centre_hz(followed, found), len(DEEP_ORDERS))
        again = pitch_track(
            harmonics, DEEP_ORDERS, fine.end_seconds, largest_swing=LARGEST_DEEP_SWING
        )
        part = _within(again, fine)
        if again is None or part is None:
            return track, swing
        followed, found = again, fit_swing(part)
        if abs(found.mean_cents) < CENTRED_CENTS:
            break
    return (followed, found) if _is_modulated(found) else (track, swing)


def _moving_from_seconds(track: Track) -> float | None:
    """Return when a vibrato that comes late has set in; None where the pitch moves alike all along.

    For 0.4 s and more the pitch moves, within 0.3 s, by less than 0.6 of what it does later; then
    it goes on moving. (A player's vibrato sets in sooner, and sways by itself.)
    """
    width = max(3, round(MOVING_SECONDS / float(np.diff(track.seconds[:2])[0])))
    if len(track.cents) < 4 * width:
        return None
    moved = np.lib.stride_tricks.sliding_window_view(track.cents, width).std(axis=1)
    later = float(np.median(moved[len(moved) // 2 :]))
    still = track.seconds[int(np.argmax(moved >= STILL_SHARE * later))] - track.seconds[0]
    if later < LEAST_MOVED_CENTS or still < STILL_SECONDS:
        return None
    first = int(np.argmax(moved >= SET_IN_SHARE * later))
    goes_on = np.mean(moved[first:] >= STILL_SHARE * later) >= GOES_ON_SHARE
    return float(track.seconds[first + width // 2]) if goes_on else None


def _is_modulated(swing: Swing) -> bool:
    least = LEAST_EXPLAINED if swing.cycles >= ENOUGH_CYCLES else LEAST_EXPLAINED_BY_FEW
    together = swing.coherence > LEAST_COHERENCE
    return together and swing.depth_cents > LEAST_DEPTH_CENTS and swing.explained > least
