"""Telling a note struck anew from a sound that only beats, swells or wobbles."""

from __future__ import annotations

import numpy as np

from keymapper.channels import less_means
from keymapper.slicing.background import innovation
from keymapper.slicing.course import FloatArray, TakeAudio, TakeCourse
from keymapper.slicing.levels import Levels
from keymapper.slicing.novelty import Novelty

_PAST_SECONDS = 0.12
_GUARD_SECONDS = 0.03
_AFTER_SECONDS = 0.03
_MEMORY_SECONDS = 1.5
_WINDOW_SECONDS = 0.01
_STEEP_SECONDS = 0.02
_RISE_BEFORE_SECONDS = 0.08
_RISE_SECONDS = 0.15
_QUIET_SECONDS = 0.06
_QUIET_RATIO = 4.0


def burst_ratio(take: TakeAudio, levels: Levels, seconds: float) -> float:
    """Return how far a moment bursts out of what linear prediction from its past expects.

    The highest innovation within 30 ms of the moment over the highest in the 120 ms before that;
    beating and swelling stay near 1, an attack reaches 5 and far more. 0 without a past.
    """
    rate = take.rate_hz
    start = round((seconds - _GUARD_SECONDS - _PAST_SECONDS) * rate)
    known = round(_PAST_SECONDS * rate)
    if start < 0:
        return 0.0
    end = round((seconds + _AFTER_SECONDS) * rate)
    samples = less_means(take.read(start, end).astype(np.float64), levels.course.offset)
    ratios = [_channel_burst(samples[:, one], known) for one in range(samples.shape[1])]
    return max(ratios, default=0.0)


def _channel_burst(signal: FloatArray, known: int) -> float:
    rest = np.abs(innovation(signal, known))
    past, after = rest[known // 4 : known], rest[known:]
    if not len(past) or not len(after):
        return 0.0
    return float(after.max()) / max(float(past.max()), 1e-7)


def long_new_share(course: TakeCourse, novelty: Novelty, seconds: float) -> float:
    """Return the share of the sound after a moment that exceeds all of the 1.5 s before, 0..1."""
    hop = novelty.hop_seconds
    at = round(seconds / hop)
    before = course.bands_db[max(0, at - round(_MEMORY_SECONDS / hop)) : max(1, at - 1)]
    after = course.bands_db[at + 2 : at + 14]
    if not len(after) or not len(before):
        return 0.0
    least = np.sqrt(4 * novelty.noise_power)
    known = np.maximum(_amplitude(before).max(axis=0), least)
    heard = np.maximum(_amplitude(after).max(axis=0), least)
    return float(np.maximum(heard - known, 0).sum() / heard.sum())


def rise_share(levels: Levels, seconds: float) -> float:
    """Return how much of a rise in amplitude falls into its steepest 20 ms, 0..1.

    An attack of some milliseconds rises all at once, a beat over a good part of its period. 0
    where nothing rises.
    """
    window = max(1, round(_WINDOW_SECONDS / levels.course.block_seconds))
    step = max(1, round(_STEEP_SECONDS / levels.course.block_seconds))
    power = levels.smooth_power(seconds - _RISE_BEFORE_SECONDS, seconds + _RISE_SECONDS, window)
    amplitude = np.sqrt(np.maximum(power, 0))
    if len(amplitude) <= step:
        return 0.0
    whole = float(amplitude.max() - amplitude[: len(amplitude) // 2].min())
    steepest = float((amplitude[step:] - amplitude[:-step]).max())
    return max(0.0, steepest / whole) if whole > 0 else 0.0


def is_quiet_before(levels: Levels, seconds: float) -> bool:
    """Say whether nothing but the noise floor sounds just before a moment."""
    power = levels.mean_power(seconds - _QUIET_SECONDS - 0.015, seconds - 0.015)
    return power <= _QUIET_RATIO * levels.noise_power


def _amplitude(bands_db: FloatArray) -> FloatArray:
    return np.asarray(10 ** (bands_db.astype(np.float32) / 20))
