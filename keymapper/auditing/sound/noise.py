"""Hum and noise beside the note."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

from keymapper.channels import mono
from keymapper.measuring.levels import loudest_windows, power_db, rms_dbfs
from keymapper.model.sound import SILENCE_DBFS

MAINS_HZ = (50.0, 60.0)
MAINS_LINES = 10
LINE_OVER_FLOOR_DB = 15.0
LINE_OFF_HZ = 0.4
TWIN_SHARE = 0.1
SHORTEST_SECONDS = 0.7
LONGEST_SECONDS = 6.0
SILENCE_SECONDS = 0.2
EXPLAINED = 0.6
LEAST_QUIET_SECONDS = 0.01
UNEVEN_DB = 1.0
TAIL_SECONDS = (0.3, 0.15, 0.07, 0.035)
SAME_DB, ENDED_DB = 0.4, 6.0
HEAD_GUARD_SECONDS = 0.003
UNDER_SOUND_DB = 20.0
HIGHEST_BETWEEN_HZ = 10_000.0
LOWEST_BETWEEN_HZ = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Mains hum: 50 or 60 Hz (None for none), and the RMS of all its lines."""

    mains_hz: float | None
    level_dbfs: float


NO_HUM = Hum(mains_hz=None, level_dbfs=SILENCE_DBFS)


def hum_of(samples: np.ndarray, rate: int, f0_hz: float | None, lead_frames: int) -> Hum:
    """Return the hum in a file, in dBFS.

    Where nothing sounds, hum is what sines at multiples of 50 or 60 Hz explain of what is there.
    Elsewhere a line counts where it stands 15 dB over the median of the spectrum around it, lies
    within 0.4 Hz of its place and away from the partials of the note and from what swings around
    them. The first line alone, or three others, make hum.

    samples : float, shape (frames, channels), free of DC; the whole file, head and tail included.
    lead_frames : silence before the sound.
    """
    length = min(len(samples), round(LONGEST_SECONDS * rate))
    found = [_hum_in_silence(part, rate) for part in _silences(samples, rate, lead_frames)]
    if length >= SHORTEST_SECONDS * rate:
        middle = mono(samples[:length])
        window = np.hanning(length)
        size = scipy.fft.next_fast_len(2 * length, real=True)
        spectrum = np.abs(scipy.fft.rfft(middle * window, size)) / window.sum()
        grid = Grid(power=2 * spectrum**2, step_hz=rate / size, width_hz=2 * rate / length)
        found += [_lines(grid, mains_hz, f0_hz) for mains_hz in MAINS_HZ]
    return max(found, key=lambda hum: hum.level_dbfs, default=NO_HUM)


def _silences(samples: np.ndarray, rate: int, lead_frames: int) -> list[np.ndarray]:
    """Head and tail where they last long enough, hold their level and lie under the sound."""
    least = round(SILENCE_SECONDS * rate)
    parts = (samples[: max(0, lead_frames - round(0.005 * rate))][-4 * least :], samples[-least:])
    loudest = rms_dbfs(loudest_windows(samples, rate)[0])
    return [
        part
        for part in parts
        if len(part) >= least and _holds_level(part) and rms_dbfs(part) < loudest - UNDER_SOUND_DB
    ]


def _hum_in_silence(samples: np.ndarray, rate: int) -> Hum:
    """Fit sines at the multiples of a mains frequency; they must explain half of the power."""
    middle = mono(samples)
    middle = middle - middle.mean()
    total = float(middle @ middle)
    hums = []
    for mains_hz in MAINS_HZ:
        turns = np.outer(np.arange(len(middle)) / rate * mains_hz, np.arange(1, MAINS_LINES + 1))
        basis = np.concatenate([np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns)], axis=1)
        fitted = basis @ np.linalg.lstsq(basis, middle, rcond=None)[0]
        power = float(fitted @ fitted)
        if total > 0 and power > EXPLAINED * total:
            hums.append(Hum(mains_hz=mains_hz, level_dbfs=power_db(power / len(middle))))
    return max(hums, key=lambda hum: hum.level_dbfs, default=NO_HUM)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A sine: where it lies, and its mean square."""

    hz: float
    power: float


def _lines(grid: Grid, mains_hz: float, f0_hz: float | None) -> Hum:
    powers: dict[int, float] = {}
    for order in range(1, MAINS_LINES + 1):
        at_hz = order * mains_hz
        if not _near_partial(at_hz, f0_hz, grid.width_hz):
            line = _line(grid, at_hz)
            if line is not None and not _has_twin(grid, line, mains_hz, f0_hz):
                powers[order] = line.power
    if 1 not in powers and len(powers) < 3:
        return NO_HUM
    return Hum(mains_hz=mains_hz, level_dbfs=power_db(sum(powers.values())))


def _near_partial(at_hz: float, f0_hz: float | None, width_hz: float) -> bool:
    """Tell whether a partial of the note lies so close that it would be taken for hum."""
    if f0_hz is None:
        return False
    order = round(at_hz / f0_hz)
    return order > 0 and abs(at_hz - order * f0_hz) < max(2 * width_hz, 0.012 * at_hz)


def _has_twin(grid: Grid, line: Line, mains_hz: float, f0_hz: float | None) -> bool:
    """Tell whether a line has its like as far from a partial next to its own, or across that one.

    Vibrato and tremolo surround all partials by such lines. A twin that may be a line of the mains
    itself says nothing.
    """
    if f0_hz is None:
        return False
    reach = max(LINE_OFF_HZ, grid.width_hz)
    nearest = round(line.hz / f0_hz)
    off_hz = line.hz - nearest * f0_hz
    places = [
        order * f0_hz + side_hz
        for order in range(nearest - 1, nearest + 2)
        for side_hz in (-off_hz, off_hz)
    ]
    return any(
        float(grid.range(place_hz - reach, place_hz + reach).max()) > TWIN_SHARE * line.power
        for place_hz in places
        if place_hz > reach and abs(place_hz - mains_hz * round(place_hz / mains_hz)) > reach
    )


def _line(grid: Grid, at_hz: float) -> Line | None:
    """Return the line at a frequency; None where there is none."""
    reach = max(LINE_OFF_HZ, grid.width_hz)
    near = grid.range(at_hz - reach, at_hz + reach)
    top_hz = (max(1, round((at_hz - reach) / grid.step_hz)) + int(np.argmax(near))) * grid.step_hz
    if abs(top_hz - at_hz) > LINE_OFF_HZ + grid.step_hz:
        return None
    wide = 8 * grid.width_hz
    sides = [
        grid.range(at_hz - wide, at_hz - 2 * grid.width_hz),
        grid.range(at_hz + 2 * grid.width_hz, at_hz + wide),
    ]
    floor = max(float(np.median(side)) for side in sides)
    highest_beside = max(float(side.max()) for side in sides)
    power = float(near.max())
    stands_out = power > floor * 10 ** (LINE_OVER_FLOOR_DB / 10) and power > 2 * highest_beside
    return Line(hz=top_hz, power=power) if stands_out else None


def noise_dbfs(samples: np.ndarray, rate: int, lead_frames: int) -> float | None:
    """Return the RMS where nothing sounds, at the head or at the tail, in dBFS.

    The quieter of what comes before the sound and of the longest tail that holds its level and
    is no part of a decay: what comes before is much louder, or, for 0.3 s, as loud. Both lie 20 dB
    under the loudest of the file; None where neither does.

    samples : float, shape (frames, channels), free of DC.
    lead_frames : silence before the sound.
    """
    loudest = rms_dbfs(loudest_windows(samples, rate)[0])
    head = samples[: max(0, lead_frames - round(HEAD_GUARD_SECONDS * rate))]
    parts = [head] if len(head) >= LEAST_QUIET_SECONDS * rate and _holds_level(head) else []
    for seconds in TAIL_SECONDS:
        length = round(seconds * rate)
        tail, before = samples[-length:], samples[-2 * length : -length]
        if len(before) == length and _holds_level(tail):
            step = rms_dbfs(before) - rms_dbfs(tail)
            if step > ENDED_DB or (abs(step) < SAME_DB and seconds == TAIL_SECONDS[0]):
                parts.append(tail)
                break
    levels = [level for part in parts if (level := rms_dbfs(part)) < loudest - UNDER_SOUND_DB]
    return min(levels) if levels else None


def _holds_level(samples: np.ndarray) -> bool:
    levels = [rms_dbfs(part) for part in np.array_split(samples, 3)]
    return max(levels) - min(levels) < UNEVEN_DB


def noise_between_dbfs(
    samples: np.ndarray, rate: int, steady: tuple[int, int], f0_hz: float | None
) -> float | None:
    """Return the level of what lies between the partials of a note, in dBFS, up to 10 kHz.

    Median of the spectrum in the middle third between partials, taken for all of the band.

    steady : half-open frames where the note holds. None without a pitch of 100 Hz or more, or
    where less than 0.2 s hold.
    """
    part = samples[steady[0] : min(steady[1], steady[0] + 3 * rate)]
    if f0_hz is None or f0_hz < LOWEST_BETWEEN_HZ or len(part) < 0.2 * rate:
        return None
    middle = mono(part)
    window = np.hanning(len(middle))
    power = np.abs(scipy.fft.rfft(middle * window)) ** 2 / float(window @ window)
    frequency = np.arange(len(power)) * rate / len(middle)
    top = min(HIGHEST_BETWEEN_HZ, 0.45 * rate)
    between = np.abs(frequency / f0_hz % 1.0 - 0.5) < 1 / 6
    chosen = power[between & (frequency > f0_hz) & (frequency < top)]
    if len(chosen) < 20:
        return None
    density = float(np.median(chosen)) / np.log(2)
    return power_db(density * 2 * top / rate)
