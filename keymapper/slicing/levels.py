"""Questions about the levels of a take between two moments, answered from its course."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from keymapper.slicing.course import SILENCE_POWER, FloatArray, TakeCourse

_NOISE_SECONDS = 0.1
_CELL_SECONDS = 0.02
_DIGITAL_SILENCE = 1e-11
SILENCE_DB = -200.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Levels:
    """A course with running sums; times are seconds in the take."""

    course: TakeCourse
    power_sum: FloatArray
    """Sum of the powers of all blocks before each block, one value more than blocks."""
    noise_power: float
    """Mean square of the quietest 0.1 s that is not digital silence."""
    noise_seconds: float
    """Where that stretch begins."""

    @property
    def duration_seconds(self) -> float:
        """Return the length of the take."""
        return self.course.frames / self.course.rate_hz

    def block(self, seconds: float) -> int:
        """Return the block that holds a moment, within the take."""
        return min(max(0, int(seconds / self.course.block_seconds)), len(self.course.power))

    def mean_power(self, start_seconds: float, end_seconds: float) -> float:
        """Return the mean square between two moments; at least one block, silence gives 0."""
        return float(self.mean_powers(np.array([start_seconds]), np.array([end_seconds]))[0])

    def mean_powers(self, start_seconds: FloatArray, end_seconds: FloatArray) -> FloatArray:
        """Return the mean square between each of some moments and another (see `mean_power`)."""
        first = np.minimum(self._blocks(start_seconds), len(self.course.power) - 1)
        end = np.maximum(first + 1, self._blocks(end_seconds))
        sums = self.power_sum[end] - self.power_sum[first]
        return np.asarray(np.maximum(0.0, sums / (end - first)))

    def peak(self, start_seconds: float, end_seconds: float) -> float:
        """Return the highest magnitude between two moments; 0 for silence."""
        first = min(self.block(start_seconds), len(self.course.peak) - 1)
        return float(self.course.peak[first : max(first + 1, self.block(end_seconds))].max())

    def smooth_power(self, start_seconds: float, end_seconds: float, blocks: int) -> FloatArray:
        """Return the mean square of windows of so many blocks, one starting at every block."""
        first, end = self.block(start_seconds), self.block(end_seconds)
        end = max(first, end - blocks)
        sums = self.power_sum
        return (sums[first + blocks : end + blocks] - sums[first:end]) / blocks

    def noise_before(self, seconds: float) -> float:
        """Return the noise power just before a note, or of the take where a tail still rings."""
        return float(self.noises_before(np.array([seconds]))[0])

    def noises_before(self, seconds: FloatArray) -> FloatArray:
        """Return `noise_before` each of some moments."""
        nearby = self.mean_powers(seconds - 0.12, seconds - 0.03)
        near = (self.noise_power / 4 <= nearby) & (nearby <= 4 * self.noise_power)
        return np.where(near & (seconds > 0.15), nearby, self.noise_power)

    def tails_before(self, seconds: FloatArray) -> FloatArray:
        """Return the power that rings on before each of some moments; 0 where it is but noise."""
        nearby = self.mean_powers(seconds - 0.06, seconds - 0.005)
        return np.where((nearby > 4 * self.noise_power) & (seconds > 0.07), nearby, 0.0)

    def _blocks(self, seconds: FloatArray) -> FloatArray:
        blocks = seconds / self.course.block_seconds
        return np.clip(blocks, 0, len(self.course.power)).astype(int)


def levels_of(course: TakeCourse) -> Levels:
    """Return the level table of a course that holds at least one block."""
    sums = np.zeros(len(course.power) + 1)
    sums[1:] = course.power
    np.cumsum(sums, out=sums)  # in place: a long take fills it
    cell = max(1, round(_CELL_SECONDS / course.block_seconds))
    count = max(1, len(course.power) // cell)
    cells = course.power[: count * cell].reshape(count, -1)
    size = min(count, round(_NOISE_SECONDS / _CELL_SECONDS))
    power = np.convolve(cells.mean(axis=1, dtype=np.float64), np.ones(size) / size, "valid")
    silent = np.convolve((cells <= _DIGITAL_SILENCE).any(axis=1), np.ones(size), "valid") > 0.5
    sounding = np.flatnonzero(~silent)
    quietest = int(sounding[np.argmin(power[sounding])]) if len(sounding) else 0
    return Levels(
        course=course,
        power_sum=sums,
        noise_power=max(float(power[quietest]) if len(sounding) else 0.0, SILENCE_POWER),
        noise_seconds=quietest * cell * course.block_seconds,
    )


def power_to_db(power: float) -> float:
    """Return a mean square in dB re full scale; silence gives -200."""
    return max(SILENCE_DB, 10 * math.log10(power)) if power > 0 else SILENCE_DB


def ratio_to_db(ratio: float) -> float:
    """Return an amplitude ratio in dB; 0 gives -200."""
    return power_to_db(ratio * ratio)
