"""Hum and noise beside the note."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from keymapper.measuring.levels import power_db
from keymapper.model.sound import SILENCE_DBFS, Course

MAINS_HZ = (50.0, 60.0)
MAINS_LINES = 10
LINE_OVER_FLOOR_DB = 15.0
LINE_OFF_HZ = 0.4
SHORTEST_SECONDS = 0.7
LONGEST_SECONDS = 6.0
LEAST_QUIET_SECONDS = 0.02
UNEVEN_DB = 3.0
HIGHEST_BETWEEN_HZ = 10_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Mains hum: 50 or 60 Hz (None for none), and the RMS of all its lines."""

    mains_hz: float | None
    level_dbfs: float


def hum_of(samples: np.ndarray, rate: int, f0_hz: float | None) -> Hum:
    """Return the hum in a file, in dBFS.

    A line counts where it stands 15 dB over the median of the spectrum around it, lies within
    0.4 Hz of its place and away from the partials of the note. The first line alone, or three
    others, make hum.

    samples : float, shape (frames, channels), free of DC; the whole file, head and tail included.
    """
    length = min(len(samples), round(LONGEST_SECONDS * rate))
    nothing = Hum(mains_hz=None, level_dbfs=SILENCE_DBFS)
    if length < SHORTEST_SECONDS * rate:
        return nothing
    mono = samples[:length].mean(axis=1)
    window = np.hanning(length)
    size = scipy.fft.next_fast_len(2 * length, real=True)
    spectrum = np.abs(scipy.fft.rfft(mono * window, size)) / window.sum()
    grid = Grid(power=2 * spectrum**2, step_hz=rate / size, width_hz=2 * rate / length)
    hums = [_lines(grid, mains_hz, f0_hz) for mains_hz in MAINS_HZ]
    return max(hums, key=lambda hum: hum.level_dbfs)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Mean square of a sine at each bin, the bin distance, and the half width of a line."""

    power: np.ndarray
    step_hz: float
    width_hz: float

    def range(self, low_hz: float, high_hz: float) -> np.ndarray:
        """Return the bins between two frequencies."""
        first = max(1, round(low_hz / self.step_hz))
        return np.asarray(self.power[first : max(first + 1, round(high_hz / self.step_hz) + 1)])


def _lines(grid: Grid, mains_hz: float, f0_hz: float | None) -> Hum:
    powers: dict[int, float] = {}
    for order in range(1, MAINS_LINES + 1):
        at_hz = order * mains_hz
        if not _near_partial(at_hz, f0_hz, grid.width_hz):
            power = _line_power(grid, at_hz)
            if power > 0:
                powers[order] = power
    if 1 not in powers and len(powers) < 3:
        return Hum(mains_hz=None, level_dbfs=SILENCE_DBFS)
    return Hum(mains_hz=mains_hz, level_dbfs=power_db(sum(powers.values())))


def _near_partial(at_hz: float, f0_hz: float | None, width_hz: float) -> bool:
    """Whether a partial, a half or a third of the note lies close enough to be taken for hum."""
    if f0_hz is None:
        return False
    reach = max(3 * width_hz, 0.012 * at_hz)
    for part in (1.0, 2.0, 3.0):
        base = f0_hz / part
        if abs(at_hz / base - round(at_hz / base)) * base < reach and round(at_hz / base):
            return part == 1.0 or base * round(at_hz / base) < f0_hz
    return False


def _line_power(grid: Grid, at_hz: float) -> float:
    """Mean square of the line at a frequency; 0 where there is none."""
    reach = max(LINE_OFF_HZ, grid.width_hz)
    near = grid.range(at_hz - reach, at_hz + reach)
    top_hz = (max(1, round((at_hz - reach) / grid.step_hz)) + int(np.argmax(near))) * grid.step_hz
    if abs(top_hz - at_hz) > LINE_OFF_HZ + grid.step_hz:
        return 0.0
    wide = 8 * grid.width_hz
    sides = [
        grid.range(at_hz - wide, at_hz - 2 * grid.width_hz),
        grid.range(at_hz + 2 * grid.width_hz, at_hz + wide),
    ]
    floor = max(float(np.median(side)) for side in sides)
    highest_beside = max(float(side.max()) for side in sides)
    power = float(near.max())
    stands_out = power > floor * 10 ** (LINE_OVER_FLOOR_DB / 10) and power > 2 * highest_beside
    return power if stands_out else 0.0


def noise_dbfs(samples: np.ndarray, rate: int, course: Course) -> float | None:
    """Return the RMS where nothing sounds, before the onset or after the end, in dBFS.

    The quieter of the two; None where neither lasts 20 ms and holds level: a sound that is still
    dying away is no noise.

    samples : float, shape (frames, channels), free of DC.
    """
    guard = round(0.005 * rate)
    least = round(LEAST_QUIET_SECONDS * rate)
    parts = (samples[: max(0, course.onset_frame - guard)], samples[course.end_frame + guard :])
    levels = [_rms_dbfs(part) for part in parts if len(part) >= least and _holds_level(part)]
    return min(levels) if levels else None


def _holds_level(samples: np.ndarray) -> bool:
    half = len(samples) // 2
    return abs(_rms_dbfs(samples[:half]) - _rms_dbfs(samples[half:])) < UNEVEN_DB


def _rms_dbfs(samples: np.ndarray) -> float:
    return power_db(float(np.mean(np.square(samples, dtype=np.float64))))


def noise_between_dbfs(
    samples: np.ndarray, rate: int, steady: tuple[int, int], f0_hz: float | None
) -> float | None:
    """Return the level of what lies between the partials of a note, in dBFS, up to 10 kHz.

    Median of the spectrum in the middle third between partials, taken for all of the band.

    steady : half-open frames where the note holds. None without a pitch of 60 Hz or more, or
    where less than 0.2 s hold.
    """
    part = samples[steady[0] : min(steady[1], steady[0] + 3 * rate)]
    if f0_hz is None or f0_hz < 60.0 or len(part) < 0.2 * rate:
        return None
    mono = part.mean(axis=1)
    window = np.hanning(len(mono))
    power = np.abs(scipy.fft.rfft(mono * window)) ** 2 / float(window @ window)
    frequency = np.arange(len(power)) * rate / len(mono)
    top = min(HIGHEST_BETWEEN_HZ, 0.45 * rate)
    between = np.abs(frequency / f0_hz % 1.0 - 0.5) < 1 / 6
    chosen = power[between & (frequency > f0_hz) & (frequency < top)]
    if len(chosen) < 20:
        return None
    density = float(np.median(chosen)) / np.log(2)
    return power_db(density * 2 * top / rate)
