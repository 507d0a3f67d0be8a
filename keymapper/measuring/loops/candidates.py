"""Loop candidates from two sources; each finds what the other misses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.loops.features import Envelope, detrended
from keymapper.measuring.loops.waveform import (
    CoarseWave,
    correlations,
    correlations_near,
    peak_value,
)

ENDS = 16
PEAKS_PER_END = 6
PEAK_SPACING_SECONDS = 0.006
PAIRS = 24
PAIR_SPACING = 3
PAIR_REACH_SECONDS = 0.012
DIAGONAL_REACH = 10
UNSEEN_PART = 0.5
ACHIEVABLE_QUANTILE = 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """Where loops may lie: note frames; ``wanted_frames`` is the length worth having."""

    first_start: int
    last_end: int
    shortest_frames: int
    longest_frames: int
    wanted_frames: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """Start and end frames of the note, and the coarse waveform correlation, one a candidate."""

    starts: np.ndarray
    ends: np.ndarray
    correlation: np.ndarray


def short_penalty(lengths: np.ndarray, wanted_frames: int) -> np.ndarray:
    """Octaves by which each length falls short of the wanted one."""
    return np.asarray(np.maximum(0, np.log2(wanted_frames / np.maximum(lengths, 1))))


def waveform_candidates(coarse: CoarseWave, bounds: Bounds, rate: int) -> Candidates:
    """Return the best-correlated starts for ends spread over the second half of the region."""
    template = coarse.template_frames
    top = (bounds.last_end - coarse.first_frame) // coarse.factor
    low = max(top // 2, (bounds.shortest_frames + bounds.first_start - coarse.first_frame))
    low = max(
        top // 2,
        (bounds.first_start - coarse.first_frame + bounds.shortest_frames) // coarse.factor + 1,
        template,
    )
    if low > top:
        return _none()
    ends = np.unique(np.linspace(low, top, ENDS).astype(int))
    rho = correlations(coarse, ends)
    starts = np.arange(rho.shape[1]) + template
    lengths = (ends[:, None] - starts) * coarse.factor
    earliest = -(-(bounds.first_start - coarse.first_frame) // coarse.factor)
    allowed = (lengths >= bounds.shortest_frames) & (lengths <= bounds.longest_frames)
    allowed &= starts >= earliest
    merit = rho - 0.1 * short_penalty(lengths, bounds.wanted_frames)
    merit = np.where(allowed, merit, -9.0)
    index = _peaks(merit, max(2, round(PEAK_SPACING_SECONDS * rate / coarse.factor)))
    rows = np.repeat(np.arange(len(ends)), index.shape[1])
    kept = np.take_along_axis(merit, index, axis=1).ravel() > -5
    return Candidates(
        starts=(starts[index].ravel()[kept] * coarse.factor + coarse.first_frame),
        ends=(ends[rows][kept] * coarse.factor + coarse.first_frame),
        correlation=peak_value(rho, index).ravel()[kept],
    )


def _peaks(merit: np.ndarray, spacing: int) -> np.ndarray:
    """Columns of the best maxima of each row, one from each stretch of ``spacing``."""
    width = merit.shape[1] // spacing * spacing
    if width == 0:
        return np.argmax(merit, axis=1)[:, None]
    stretches = merit[:, :width].reshape(len(merit), -1, spacing)
    columns = stretches.argmax(axis=2) + np.arange(stretches.shape[1]) * spacing
    values = np.take_along_axis(merit, columns, axis=1)
    inside = np.clip(columns, 1, merit.shape[1] - 2)
    neighbours = np.maximum(
        np.take_along_axis(merit, inside - 1, axis=1), np.take_along_axis(merit, inside + 1, axis=1)
    )
    values = np.where(values >= neighbours, values, values - 4)
    best = np.argsort(-values, axis=1, kind="stable")[:, :PEAKS_PER_END]
    return np.take_along_axis(columns, best, axis=1)


def pair_distances_db(levels_db: np.ndarray) -> np.ndarray:
    """Return the rms level distance in dB of every pair of times, averaged over +-100 ms.

    Near the ends of the sustain, what cannot be compared counts as the movement of the note.
    """
    levels = levels_db - levels_db.mean(axis=0)
    norms = np.einsum("ij,ij->i", levels, levels)
    squared = norms[:, None] + norms - 2 * (levels @ levels.T)
    times = len(levels)
    reach = min(DIAGONAL_REACH, (times - 1) // 2)
    total = np.zeros_like(squared)
    count = np.zeros(times)
    unseen = UNSEEN_PART * float(np.mean(detrended(levels) ** 2)) * levels.shape[1]
    missing = np.full((times, times), 2 * reach + 1, dtype=np.float32)
    del count
    for shift in range(-reach, reach + 1):
        to = slice(max(0, -shift), times - max(0, shift))
        of = slice(max(0, shift), times - max(0, -shift))
        total[to, to] += squared[of, of]
        missing[to, to] -= 1
    mean = (total + missing * unseen) / (2 * reach + 1)
    return np.asarray(np.sqrt(np.maximum(mean, 0) / levels.shape[1]))


def achievable_distance_db(distances: np.ndarray, shortest: int) -> float:
    """Return what this note can achieve: the 0.3 % quantile over pairs far enough apart."""
    rows, columns = np.triu_indices(len(distances), k=max(1, min(shortest, len(distances) - 1)))
    return float(np.quantile(distances[rows, columns], ACHIEVABLE_QUANTILE))


def pair_candidates(
    coarse: CoarseWave, envelope: Envelope, distances: np.ndarray, achievable: float, bounds: Bounds
) -> Candidates:
    """Return the pairs of times whose surroundings match best, each at its best waveform lag."""
    frames = envelope.first_frame + np.arange(len(distances)) * envelope.hop_frames
    lengths = frames[None, :] - frames[:, None]
    score = distances / (0.5 + achievable) + 0.5 * short_penalty(lengths, bounds.wanted_frames)
    allowed = (lengths >= bounds.shortest_frames) & (lengths <= bounds.longest_frames)
    allowed &= (frames[:, None] >= bounds.first_start) & (frames[None, :] <= bounds.last_end)
    score = np.where(allowed, score, np.inf)
    size = len(score) // PAIR_SPACING * PAIR_SPACING
    cells = score[:size, :size].reshape(size // 3, PAIR_SPACING, size // 3, PAIR_SPACING)
    cells = cells.transpose(0, 2, 1, 3).reshape(size // 3, size // 3, PAIR_SPACING**2)
    least = cells.min(axis=2).ravel()
    order = np.argsort(least, kind="stable")[:PAIRS]
    order = order[np.isfinite(least[order])]
    inner = cells.reshape(-1, PAIR_SPACING**2)[order].argmin(axis=1)
    at_start = order // (size // 3) * PAIR_SPACING + inner // PAIR_SPACING
    at_end = order % (size // 3) * PAIR_SPACING + inner % PAIR_SPACING
    return _at_best_lags(coarse, frames[at_start], frames[at_end], bounds)


def _at_best_lags(
    coarse: CoarseWave, starts: np.ndarray, ends: np.ndarray, bounds: Bounds
) -> Candidates:
    found: list[tuple[int, int, float]] = []
    reach = round(PAIR_REACH_SECONDS * 1.2e4)
    for start, end in zip(starts, ends, strict=True):
        coarse_end = int(end - coarse.first_frame) // coarse.factor
        coarse_start = int(start - coarse.first_frame) // coarse.factor
        if coarse_end < coarse.template_frames:
            continue
        options, rho = correlations_near(coarse, coarse_end, coarse_start, reach)
        best = int(np.argmax(rho))
        value = float(peak_value(rho[None, :], np.array([[best]]))[0, 0]) if len(rho) > 2 else 0.0
        start_frame = int(options[best]) * coarse.factor + coarse.first_frame
        end_frame = coarse_end * coarse.factor + coarse.first_frame
        if start_frame >= bounds.first_start:
            found.append((start_frame, end_frame, value))
    if not found:
        return _none()
    table = np.array(found)
    return Candidates(
        starts=table[:, 0].astype(int), ends=table[:, 1].astype(int), correlation=table[:, 2]
    )


def joined(first: Candidates, second: Candidates) -> Candidates:
    """Both lists as one."""
    return Candidates(
        starts=np.concatenate([first.starts, second.starts]),
        ends=np.concatenate([first.ends, second.ends]),
        correlation=np.concatenate([first.correlation, second.correlation]),
    )


def _none() -> Candidates:
    return Candidates(starts=np.zeros(0, int), ends=np.zeros(0, int), correlation=np.zeros(0))
