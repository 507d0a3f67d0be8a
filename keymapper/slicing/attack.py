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
_LEAST_HOLD_SECONDS = 0.05
_LEAST_EXPONENT, _SURE_EXPONENT = 0.05, 0.2
"""A flatter course is no swell; one a key-down is told by is steeper."""
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
    """Return the swell that fits a note whose key went down at a known moment, or None."""
    return next(iter(_fitted_swells(levels, np.array([key_down_seconds]), off_seconds)), None)


def key_down_of(
    levels: Levels, near_seconds: float, off_seconds: float, reach_seconds: float = 0.045
) -> Swell | None:
    """Return the swell whose key-down, within reach of a moment, makes it fit best, or None."""
    steps = np.linspace(-reach_seconds, reach_seconds, 2 * _SEARCH_STEPS + 1)
    swells = _fitted_swells(levels, near_seconds + steps, off_seconds)
    found = [swell for swell in swells if swell.exponent > _SURE_EXPONENT]
    return min(found, key=lambda swell: swell.misfit) if found else None


def _fitted_swells(levels: Levels, key_downs: FloatArray, off_seconds: float) -> list[Swell]:
    """Return the swells that fit a note from some moments on; none from where none fits.

    Weighted regression of log amplitude on log time, in windows of constant relative width, from
    where the note stands out of the noise to where it reaches half its held level.
    """
    starts = key_downs[off_seconds - key_downs >= _LEAST_HOLD_SECONDS]
    if len(starts) == 0:
        return []
    times = np.geomspace(_FIRST_SECONDS, off_seconds - starts, _POINTS, axis=1)
    noise, tail, held = (powers[:, None] for powers in _powers_about(levels, starts, off_seconds))
    power, blocks = _mean_powers(levels, starts[:, None], times)
    spread = noise * np.sqrt(2 / np.maximum(blocks * _FRAMES_A_BLOCK, 1)) + 1e-16
    heard = power - np.maximum(noise, tail)
    is_quiet = heard <= np.maximum(4 * spread, _CLEAR_OF_TAIL * tail)
    is_loud = heard > 0.25 * held
    stays_clear = ~np.logical_or.accumulate(is_quiet[:, ::-1], axis=1)[:, ::-1]
    counted = stays_clear & (np.cumsum(is_loud, axis=1) - is_loud == 0)
    seen = (held[:, 0] > 0) & (counted.sum(axis=1) >= _LEAST_POINTS)
    counted = counted[seen]
    size = np.where(counted, heard[seen], 1.0)
    weights = np.where(counted, 1 / ((0.5 * spread[seen] / size) ** 2 + 0.05**2), 0.0)
    return _regressions(starts[seen], np.log(times[seen]), 0.5 * np.log(size), weights)


def _powers_about(
    levels: Levels, key_downs: FloatArray, off_seconds: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the powers of noise and tail before a note from each moment on, and of it as held."""
    noise, tail = levels.noises_before(key_downs), levels.tails_before(key_downs)
    late = off_seconds - 0.3 * (off_seconds - key_downs)
    return noise, tail, levels.mean_powers(late, np.full(len(late), off_seconds)) - noise


def _regressions(
    key_downs: FloatArray, time_log: FloatArray, size_log: FloatArray, weights: FloatArray
) -> list[Swell]:
    """Return the rising ones of the lines through every row, points without weight left out."""
    total = weights.sum(axis=1)
    time_mean = (weights * time_log).sum(axis=1) / total
    size_mean = (weights * size_log).sum(axis=1) / total
    time = time_log - time_mean[:, None]
    size = size_log - size_mean[:, None]
    exponents = (weights * time * size).sum(axis=1) / (weights * time**2).sum(axis=1)
    rest = size - exponents[:, None] * time
    misfits = (weights * rest**2).sum(axis=1) / np.count_nonzero(weights, axis=1)
    found = zip(key_downs, exponents, size_mean - exponents * time_mean, misfits, strict=True)
    return [
        Swell(key_down_seconds=float(at), exponent=float(p), scale_log=float(s), misfit=float(m))
        for at, p, s, m in found
        if p > _LEAST_EXPONENT
    ]


def _mean_powers(
    levels: Levels, start_seconds: FloatArray, times: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return mean power around each time after a start, and how many blocks it averages."""
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
