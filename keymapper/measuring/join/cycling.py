"""What is heard of a loop going round: its wobble, its repetition, and how frozen it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from keymapper.measuring.join.levels import THIRDS, levels_db, masked_powers
from keymapper.measuring.join.novelty import Ground, NaturalLevels
from keymapper.measuring.playing import played

SHORTEST_SECONDS = 0.080
WOBBLE_LINES = 3
WOBBLE_DB = 0.40
REPETITION_DB = 0.60
MEMORY_SECONDS = 0.6
NATURAL_WINDOWS = 12
YARDSTICK = 1.12
LIVELY_SECONDS = 0.7
LIVELY_SECONDS_HEARD = 2.0
SAME = 1e-6  # of full scale


@dataclass(frozen=True, slots=True, kw_only=True)
class GoingRound:
    """Wobble and repetition over their thresholds (None for loops under 80 ms), and frozenness."""

    wobble_db: float | None
    repetition_db: float | None
    frozen_db: float


def going_round(ground: Ground, natural: NaturalLevels) -> GoingRound:
    """Return what is heard of a loop going round, from third-octave levels of the settled loop."""
    hop = THIRDS.hop_frames(ground.rate)
    length = ground.end - ground.start
    period = _settled_levels_db(ground, natural, max(1, round(length / hop)))
    lively = min(round(LIVELY_SECONDS_HEARD * ground.rate / hop), len(natural.levels_db))
    rounds = np.resize(period, (max(lively, len(period)), period.shape[1]))
    audible = length >= SHORTEST_SECONDS * ground.rate
    width = max(1, round(LIVELY_SECONDS * ground.rate / hop))
    return GoingRound(
        wobble_db=_wobble_db(period, natural) if audible else None,
        repetition_db=_repetition_db(period, natural, ground) if audible else None,
        frozen_db=_liveliness_db(natural.levels_db, width) - _liveliness_db(rounds, width),
    )


def _settled_levels_db(ground: Ground, natural: NaturalLevels, times: int) -> np.ndarray:
    """Third-octave levels of one pass of the loop once it goes round.

    It begins at the first natural time in the loop: up to where the shipped audio differs from
    the natural one, the levels are known.
    """
    hop = THIRDS.hop_frames(ground.rate)
    window = THIRDS.window_frames(ground.rate)
    length = ground.end - ground.start
    known_from = max(0, math.ceil((ground.start - ground.natural_start) / hop))
    known = natural.levels_db[known_from : known_from + times]
    first = ground.natural_start + known_from * hop
    known = known[: max(0, (_first_difference(ground, first) - window - first) // hop + 1)]
    if len(known) == times:
        return known
    fresh = first + len(known) * hop + length * (math.ceil(window / length) + 1)
    last = fresh + (times - len(known) - 1) * hop + window
    audio = played(ground.shipped, ground.start, ground.end, fresh, last)
    masked = masked_powers(audio, ground.rate, THIRDS)[0]
    return np.concatenate([known, levels_db(masked, natural.floor)])


def _first_difference(ground: Ground, first: int) -> int:
    """Return the frame, from one in the loop on, at which the shipped audio is no more natural."""
    last = min(ground.end, ground.natural_start + ground.natural.shape[1])
    natural = ground.natural[:, first - ground.natural_start : last - ground.natural_start]
    differs = np.abs(ground.shipped[:, first:last] - natural).max(axis=0, initial=0.0) > SAME
    return first + int(np.argmax(differs)) if differs.any() else last


def _wobble_db(period: np.ndarray, natural: NaturalLevels) -> float:
    """Swing at the first three harmonics of the loop rate, over threshold."""
    lines = _lines(len(period), period.dtype)
    own = _natural_swing_db(natural.levels_db, lines)
    threshold = math.hypot(WOBBLE_DB, YARDSTICK * own)
    return 20 * math.log10(max(_swing_db(period, lines), 1e-6) / threshold)


def _lines(times: int, dtype: np.dtype[np.floating]) -> np.ndarray:
    """Cosines and sines of one, two and three turns in so many times."""
    turns = 2 * np.pi * np.outer(np.arange(1, WOBBLE_LINES + 1), np.arange(times)) / times
    return np.asarray(np.concatenate([np.cos(turns), np.sin(turns)]) / times, dtype=dtype)


def _swing_db(levels: np.ndarray, lines: np.ndarray) -> float:
    return float(math.sqrt(2 * np.mean(np.sum((lines @ levels) ** 2, axis=0))))


def _natural_swing_db(levels: np.ndarray, lines: np.ndarray) -> float:
    """90th percentile of the swing of natural stretches, each less the line joining its ends."""
    times = lines.shape[1]
    if len(levels) < times or times < 2:
        return 0.0
    firsts = np.unique(np.linspace(0, len(levels) - times, NATURAL_WINDOWS).astype(int))
    ramp = np.linspace(0, 1, times, dtype=levels.dtype)[:, None]
    swings = []
    for first in firsts:
        part = levels[first : first + times]
        swings.append(_swing_db(part - part[0] - ramp * (part[-1] - part[0]), lines))
    return float(np.percentile(swings, 90))


def _repetition_db(period: np.ndarray, natural: NaturalLevels, ground: Ground) -> float:
    """How audibly the same movement comes round, over threshold."""
    moved = float(np.sqrt(np.mean((period - period.mean(axis=0)) ** 2)))
    seconds = (ground.end - ground.start) / ground.rate
    repeats = _periodicity(natural, ground)
    heard = moved * math.sqrt(1 - repeats) / (1 + (seconds / MEMORY_SECONDS) ** 2)
    return 20 * math.log10(max(heard, 1e-6) / REPETITION_DB)


def _periodicity(natural: NaturalLevels, ground: Ground) -> float:
    """Autocorrelation of the detrended levels of the note at the length of the loop, 0 to 1.

    At its very frames: levels of a low tone sway with its single periods, which last few hops.
    """
    length = ground.end - ground.start
    later = ground.natural[:, length:]
    if later.shape[1] < THIRDS.window_frames(ground.rate):
        return 0.0
    levels = natural.levels_db
    late = levels_db(masked_powers(later, ground.rate, THIRDS)[0], natural.floor)
    if len(late) <= 2:
        return 0.0
    place = np.arange(len(levels)) - (len(levels) - 1) / 2
    mean = levels.mean(axis=0)
    slope = place @ (levels - mean) / (place @ place)
    place = place[: len(late), None]
    early = levels[: len(late)] - mean - place * slope
    late = late - mean - (place + length / THIRDS.hop_frames(ground.rate)) * slope
    energy = math.sqrt(float((early**2).sum()) * float((late**2).sum()))
    return min(1.0, max(0.0, float((early * late).sum()) / energy)) if energy > 0 else 0.0


def _liveliness_db(levels: np.ndarray, width: int) -> float:
    width = min(width, len(levels))
    sums = np.concatenate([np.zeros((1, levels.shape[1])), np.cumsum(levels.astype(float), axis=0)])
    high = np.minimum(np.arange(len(levels)) + width // 2 + 1, len(levels))
    low = np.maximum(np.arange(len(levels)) - width // 2, 0)
    running = (sums[high] - sums[low]) / (high - low)[:, None]
    return float(np.sqrt(np.mean((levels - running) ** 2)))
