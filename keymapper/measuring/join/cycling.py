"""What is heard of a loop going round: its wobble, its repetition, and how frozen it is."""

from __future__ import annotations

import math

import numpy as np

from keymapper.measuring.join.levels import THIRDS, levels_db, masked_powers
from keymapper.measuring.join.novelty import Ground, NaturalLevels
from keymapper.measuring.join.sustain import played

SHORTEST_SECONDS = 0.080
WOBBLE_LINES = 3
WOBBLE_DB = 0.40
REPETITION_DB = 0.60
MEMORY_SECONDS = 0.6
NATURAL_WINDOWS = 12
YARDSTICK = 1.12
LIVELY_SECONDS = 0.7


def period_levels_db(ground: Ground, natural: NaturalLevels, seconds: float = 0.0) -> np.ndarray:
    """Return third-octave levels of the settled loop over one period, or over ``seconds``."""
    hop = max(1, round(THIRDS.hop_seconds * ground.rate))
    window = round(THIRDS.window_seconds * ground.rate)
    length = ground.end - ground.start
    times = max(1, round(max(length, seconds * ground.rate) / hop))
    first = ground.start + length * math.ceil(window / length) - window // 2
    first += length
    audio = played(
        ground.shipped, ground.start, ground.end, first, first + (times - 1) * hop + window
    )
    return levels_db(masked_powers(audio, ground.rate, THIRDS), natural.floor)


def wobble_db(ground: Ground, natural: NaturalLevels) -> float | None:
    """Return the swing at the first three harmonics of the loop rate, over threshold."""
    length = ground.end - ground.start
    if length < SHORTEST_SECONDS * ground.rate:
        return None
    period = period_levels_db(ground, natural)
    own = _natural_swing_db(natural.levels_db, len(period))
    threshold = math.hypot(WOBBLE_DB, YARDSTICK * own)
    return 20 * math.log10(max(_swing_db(period), 1e-6) / threshold)


def _swing_db(levels: np.ndarray) -> float:
    times = len(levels)
    orders = np.arange(1, WOBBLE_LINES + 1)
    lines = np.exp(-2j * np.pi * np.outer(orders, np.arange(times)) / times) / times
    return float(math.sqrt(2 * np.mean(np.sum(np.abs(lines @ levels) ** 2, axis=0))))


def _natural_swing_db(levels: np.ndarray, times: int) -> float:
    """90th percentile of the swing of natural stretches, each less the line joining its ends."""
    if len(levels) < times or times < 2:
        return 0.0
    firsts = np.unique(np.linspace(0, len(levels) - times, NATURAL_WINDOWS).astype(int))
    ramp = np.linspace(0, 1, times)[:, None]
    swings = []
    for first in firsts:
        part = levels[first : first + times]
        swings.append(_swing_db(part - part[0] - ramp * (part[-1] - part[0])))
    return float(np.percentile(swings, 90))


def repetition_db(ground: Ground, natural: NaturalLevels) -> float | None:
    """Return how audibly the same movement comes round, over threshold."""
    length = ground.end - ground.start
    if length < SHORTEST_SECONDS * ground.rate:
        return None
    period = period_levels_db(ground, natural)
    moved = float(np.sqrt(np.mean((period - period.mean(axis=0)) ** 2)))
    hop = max(1, round(THIRDS.hop_seconds * ground.rate))
    repeats = _periodicity(natural.levels_db, round(length / hop))
    seconds = length / ground.rate
    heard = moved * math.sqrt(1 - repeats) / (1 + (seconds / MEMORY_SECONDS) ** 2)
    return 20 * math.log10(max(heard, 1e-6) / REPETITION_DB)


def _periodicity(levels: np.ndarray, lag: int) -> float:
    """Autocorrelation of detrended levels at one lag, 0 to 1."""
    times = len(levels)
    if lag >= times - 2:
        return 0.0
    place = np.arange(times) - (times - 1) / 2
    centred = levels - levels.mean(axis=0)
    centred = centred - place[:, None] * (place @ centred / (place @ place))
    early, late = centred[: times - lag], centred[lag:]
    energy = math.sqrt(float((early**2).sum()) * float((late**2).sum()))
    return min(1.0, max(0.0, float((early * late).sum()) / energy)) if energy > 0 else 0.0


def frozen_db(ground: Ground, natural: NaturalLevels) -> float:
    """Return by how much less the loop moves (about its 0.7 s mean) than the note did."""
    hop = max(1, round(THIRDS.hop_seconds * ground.rate))
    width = max(1, round(LIVELY_SECONDS * ground.rate / hop))
    seconds = min(2.0, natural.levels_db.shape[0] * hop / ground.rate)
    looped = period_levels_db(ground, natural, seconds)
    return _liveliness_db(natural.levels_db, width) - _liveliness_db(looped, width)


def _liveliness_db(levels: np.ndarray, width: int) -> float:
    width = min(width, len(levels))
    sums = np.concatenate([np.zeros((1, levels.shape[1])), np.cumsum(levels.astype(float), axis=0)])
    high = np.minimum(np.arange(len(levels)) + width // 2 + 1, len(levels))
    low = np.maximum(np.arange(len(levels)) - width // 2, 0)
    running = (sums[high] - sums[low]) / (high - low)[:, None]
    return float(np.sqrt(np.mean((levels - running) ** 2)))
