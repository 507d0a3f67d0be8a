"""The loudness of a voice over time: attack, hold, decay, sustain, release, choke."""

from __future__ import annotations

import numpy as np

from keymapper.formats.sfz import SfzEnvelope


def held_envelope(envelope: SfzEnvelope, rate: int, frames: int, fall_db: float) -> np.ndarray:
    """Return the amplitude ratio over `frames` frames from the start of a held note.

    Attack is a straight line from ``start_percent``; decay falls by `fall_db` within its time
    and stops at the sustain level.
    """
    sustain = envelope.sustain_percent / 100.0
    level = np.full(frames, sustain)
    delay_end = round(envelope.delay_seconds * rate)
    attack_frames = round(envelope.attack_seconds * rate)
    attack_end = delay_end + attack_frames
    hold_end = attack_end + round(envelope.hold_seconds * rate)
    decay_frames = round(envelope.decay_seconds * rate)
    level[:delay_end] = 0.0
    if attack_frames:
        first = envelope.start_percent / 100.0
        rise = first + (1.0 - first) * np.arange(attack_frames) / attack_frames
        level[delay_end:attack_end] = rise[: max(0, frames - delay_end)]
    level[attack_end:hold_end] = 1.0
    if decay_frames:
        decay = level[hold_end : hold_end + decay_frames]
        fall = 10.0 ** (-fall_db / 20.0 * np.arange(len(decay)) / decay_frames)
        np.maximum(fall, sustain, out=decay)
    return level


def release_fade(frames: int, fall_db: float) -> np.ndarray:
    """Return a fade over `frames` frames, falling by about `fall_db` and ending in zero."""
    if frames <= 0:
        return np.zeros(0)
    end = 10.0 ** (-fall_db / 20.0)
    fall = 10.0 ** (-fall_db / 20.0 * np.arange(frames) / frames)
    return np.asarray((fall - end) / (1.0 - end))
