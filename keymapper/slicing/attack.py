"""How a slow note swells, and so when its key went down before it could be heard.

A swell is taken as a power of the time since key-down, amplitude = a * (t - t0)**p, which covers
linear, curved and (at their start) exponential attacks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from keymapper.slicing.course import FloatArray
from keymapper.slicing.levels import Levels

_POINTS = 24
_FIRST_SECONDS = 0.006
_WINDOW_RATIO = 1.25
_LEAST_POINTS = 6
_SEARCH_STEPS = 30
_CLEAR_OF_TAIL = 3.0
_FRAMES_A_BLOCK = 20
"""Independent values of noise that one block averages, at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swell:
    """amplitude (RMS) = scale * (t - key_down_seconds) ** exponent."""

    key_down_seconds: float
    exponent: float
    scale_log: float
    misfit: float
    """Mean square of the weighted residuals."""

    def seconds_at(self, rms: float) -> float:
        """Return when the swell reaches a level."""
        return self.key_down_seconds + math.exp((math.log(rms) - self.scale_log) / self.exponent)


def fitted_swell(levels: Levels, key_down_seconds: float, off_seconds: float) -> Swell | None:
    """Return the swell that fits a note whose key went down at a known moment, or None.

    Weighted regression of log amplitude on log time, in windows of constant relative width, from
    where the note stands out of the noise to where it reaches half its held level.
    """
    hold = off_seconds - key_down_seconds
    if hold < 0.05:
        return None
    times = np.geomspace(_FIRST_SECONDS, hold, _POINTS)
    noise = levels.noise_before(key_down_seconds)
    tail = levels.tail_before(key_down_seconds)
    power, blocks = _mean_powers(levels, key_down_seconds, times)
    spread = noise * np.sqrt(2 / np.maximum(blocks * _FRAMES_A_BLOCK, 1)) + 1e-16
    heard = power - max(noise, tail)
    held = levels.mean_power(off_seconds - 0.3 * hold, off_seconds) - noise
    quiet = np.flatnonzero(heard <= np.maximum(4 * spread, _CLEAR_OF_TAIL * tail))
    first = int(quiet[-1]) + 1 if len(quiet) else 0
    loud = np.flatnonzero(heard > 0.25 * held)
    end = int(loud[0]) + 1 if len(loud) else len(times)
    if held <= 0 or end - first < _LEAST_POINTS:
        return None
    time_log = np.log(times[first:end])
    size_log = 0.5 * np.log(heard[first:end])
    weights = 1 / ((0.5 * spread[first:end] / heard[first:end]) ** 2 + 0.05**2)
    return _regression(key_down_seconds, time_log, size_log, weights)


def key_down_of(
    levels: Levels, near_seconds: float, off_seconds: float, reach_seconds: float = 0.045
) -> Swell | None:
    """Return the swell whose key-down, within reach of a moment, makes it fit best, or None."""
    steps = np.linspace(-reach_seconds, reach_seconds, 2 * _SEARCH_STEPS + 1)
    swells = [fitted_swell(levels, near_seconds + float(step), off_seconds) for step in steps]
    found = [swell for swell in swells if swell is not None and swell.exponent > 0.2]
    return min(found, key=lambda swell: swell.misfit) if found else None


def _regression(
    key_down: float, time_log: FloatArray, size_log: FloatArray, weights: FloatArray
) -> Swell | None:
    total = weights.sum()
    time_mean = (weights * time_log).sum() / total
    size_mean = (weights * size_log).sum() / total
    spread = (weights * (time_log - time_mean) ** 2).sum()
    exponent = float((weights * (time_log - time_mean) * (size_log - size_mean)).sum() / spread)
    if exponent <= 0.05:
        return None
    rest = size_log - size_mean - exponent * (time_log - time_mean)
    return Swell(
        key_down_seconds=key_down,
        exponent=exponent,
        scale_log=float(size_mean - exponent * time_mean),
        misfit=float((weights * rest**2).sum() / len(rest)),
    )


def _mean_powers(
    levels: Levels, start_seconds: float, times: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return mean power around each time after the start, and how many blocks it averages."""
    seconds, last = levels.course.block_seconds, len(levels.course.power)
    from_block = np.clip((start_seconds + times / _WINDOW_RATIO) / seconds, 0, last)
    to_block = np.clip((start_seconds + times * _WINDOW_RATIO) / seconds, 0, last)
    blocks = np.maximum(to_block - from_block, 1e-9)
    return (_sum_at(levels, to_block) - _sum_at(levels, from_block)) / blocks, blocks


def _sum_at(levels: Levels, block: FloatArray) -> FloatArray:
    whole = block.astype(int)
    inside = np.minimum(whole, len(levels.course.power) - 1)
    sums = levels.power_sum[whole] + (block - whole) * levels.course.power[inside]
    return np.asarray(sums)
