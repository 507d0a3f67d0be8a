"""Loop candidates from two sources; each finds what the other misses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.loops.features import Envelope, detrended
from keymapper.measuring.loops.period import Period
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
TURNS = 12
PLACES_PER_TURN, PLACES_APART_HOPS = 4, 6
#: So far from whole periods a loop may be.
OFF_PERIOD = 0.012
AROUND_HOPS = 10
UNSEEN_PART = 0.5
ACHIEVABLE_QUANTILE = 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """Where loops may lie: note frames; ``wanted_frames`` is the length worth having.

    No crossfade takes anything from before ``first_frame``.
    """

    first_frame: int
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

    def chosen(self, index: np.ndarray) -> Candidates:
        """Return some of them."""
        return Candidates(
            starts=self.starts[index], ends=self.ends[index], correlation=self.correlation[index]
        )

    def and_also(self, other: Candidates) -> Candidates:
        """Both lists as one."""
        return Candidates(
            starts=np.concatenate([self.starts, other.starts]),
            ends=np.concatenate([self.ends, other.ends]),
            correlation=np.concatenate([self.correlation, other.correlation]),
        )


def short_penalty(lengths: np.ndarray, wanted_frames: int) -> np.ndarray:
    """Octaves by which each length falls short of the wanted one."""
    return np.asarray(np.maximum(0, np.log2(wanted_frames / np.maximum(lengths, 1))))


def waveform_candidates(coarse: CoarseWave, bounds: Bounds, rate: int) -> Candidates:
    """Return the best-correlated starts for ends spread over the second half of the region."""
    template = coarse.template_frames
    top = (bounds.last_end - coarse.first_frame) // coarse.factor
    earliest = max(template, -(-(bounds.first_start - coarse.first_frame) // coarse.factor))
    low = max(top // 2, earliest + bounds.shortest_frames // coarse.factor + 1)
    if low > top:
        return _none()
    ends = np.unique(np.linspace(low, top, ENDS).astype(int))
    rho = correlations(coarse, ends)
    columns = _peaks(rho, max(3, round(PEAK_SPACING_SECONDS * rate / coarse.factor)))
    starts = columns + template
    lengths = (ends[:, None] - starts) * coarse.factor
    allowed = (lengths >= bounds.shortest_frames) & (lengths <= bounds.longest_frames)
    allowed &= starts >= earliest
    merit = np.take_along_axis(rho, columns, axis=1)
    merit = merit - 0.1 * short_penalty(lengths, bounds.wanted_frames)
    merit = np.where(allowed, merit, -np.inf)
    best = np.argsort(-merit, axis=1, kind="stable")[:, :PEAKS_PER_END]
    kept = np.isfinite(np.take_along_axis(merit, best, axis=1))
    columns = np.take_along_axis(columns, best, axis=1)
    found = np.broadcast_to(ends[:, None], columns.shape)
    return Candidates(
        starts=(columns + template)[kept] * coarse.factor + coarse.first_frame,
        ends=found[kept] * coarse.factor + coarse.first_frame,
        correlation=peak_value(rho, columns)[kept],
    )


def _peaks(values: np.ndarray, spacing: int) -> np.ndarray:
    """Columns of the highest values of each row, one from each stretch of ``spacing``."""
    width = values.shape[1] // spacing * spacing
    if width == 0:
        return np.asarray(np.argmax(values, axis=1)[:, None])
    stretches = values[:, :width].reshape(len(values), -1, spacing)
    return np.asarray(stretches.argmax(axis=2) + np.arange(width // spacing) * spacing)


def lag_distances_db(levels_db: np.ndarray) -> np.ndarray:
    """Return the rms level distance in dB of every time from every later one, over +-100 ms.

    Row ``t``, column ``k``: between times ``t`` and ``t + k``; infinite past the end. Near the
    ends of the sustain, what cannot be compared counts as the movement of the note.
    """
    levels = levels_db - levels_db.mean(axis=0)
    times, features = levels.shape
    reach = min(AROUND_HOPS, (times - 1) // 2)
    width = 2 * reach + 1
    norms = np.einsum("ij,ij->i", levels, levels)
    squared = np.zeros((times, 2 * times), dtype=np.float32)
    squared[:, :times] = norms[:, None] + norms - 2 * (levels @ levels.T)
    step_row, step = squared.strides
    lagged = np.zeros((times + 2 * reach, times), dtype=np.float32)
    lagged[reach : reach + times] = np.lib.stride_tricks.as_strided(
        squared, (times, times), (step_row + step, step), writeable=False
    )
    total = _sums(lagged, width)
    time, lag = np.arange(times), np.arange(times)
    high, low = np.minimum(time + reach + 1, times), np.maximum(time - reach, 0)
    seen = np.maximum(np.minimum(high[:, None], times - lag) - low[:, None], 0).astype(np.float32)
    unseen = np.float32(UNSEEN_PART * float(np.mean(detrended(levels) ** 2)) * features)
    mean = (total + (width - seen) * unseen) / np.float32(width * features)
    return np.asarray(np.where(time[:, None] + lag < times, np.sqrt(np.maximum(mean, 0)), np.inf))


def _sums(values: np.ndarray, width: int) -> np.ndarray:
    """Return the sums of every ``width`` rows that follow each other, by doubling."""
    count = len(values) - width + 1
    total, doubled, size, first = np.zeros_like(values[:count]), values, 1, 0
    while size <= width:
        if width & size:
            total += doubled[first : first + count]
            first += size
        doubled = doubled[:-size] + doubled[size:]
        size *= 2
    return total


def levelled_distances_db(
    distances: np.ndarray, around_db: np.ndarray, trend_db: np.ndarray
) -> np.ndarray:
    """Return the lag distances with a straight trend taken out of the levels.

    |Ea - Eb + k s|^2 = |Ea - Eb|^2 + 2 k s.(Ea - Eb) + k^2 |s|^2, averaged over +-100 ms.
    """
    times, features = around_db.shape
    along = np.concatenate([around_db @ trend_db, np.zeros(times)]).astype(np.float32)
    later = np.lib.stride_tricks.sliding_window_view(along, times)[:times]
    lag = np.arange(times, dtype=np.float32)
    change = 2 * lag * (along[:times, None] - later) + lag**2 * np.float32(trend_db @ trend_db)
    change /= np.float32(features)
    return np.asarray(np.sqrt(np.maximum(distances**2 + change, 0)))


def achievable_distance_db(distances: np.ndarray, shortest: int) -> float:
    """Return what this note can achieve: the 0.3 % quantile over pairs far enough apart."""
    apart = distances[:, max(1, min(shortest, len(distances) - 1)) :]
    apart = apart[np.isfinite(apart)]
    return float(np.quantile(apart, ACHIEVABLE_QUANTILE)) if len(apart) else 0.0


def pair_candidates(
    coarse: CoarseWave, envelope: Envelope, distances: np.ndarray, achievable: float, bounds: Bounds
) -> Candidates:
    """Return the pairs of times whose surroundings match best, each at its best waveform lag."""
    times = len(distances)
    frames = envelope.first_frame + np.arange(times)[:, None] * envelope.hop_frames
    lengths = np.arange(times) * envelope.hop_frames
    short = short_penalty(lengths, bounds.wanted_frames).astype(np.float32)
    score = distances / np.float32(0.5 + achievable) + np.float32(0.5) * short
    allowed = (lengths >= bounds.shortest_frames) & (lengths <= bounds.longest_frames)
    allowed = allowed & (frames >= bounds.first_start) & (frames + lengths <= bounds.last_end)
    score[~allowed] = np.inf
    side = times // PAIR_SPACING
    size = side * PAIR_SPACING
    within = np.arange(PAIR_SPACING)
    cells = [
        score[row:size:PAIR_SPACING, :size][:, col::PAIR_SPACING]
        for row in within
        for col in within
    ]
    order = _least(np.minimum.reduce(cells).ravel(), PAIRS)
    inner = np.stack([cell.ravel()[order] for cell in cells]).argmin(axis=0)
    starts = frames[order // side * PAIR_SPACING + inner // PAIR_SPACING, 0]
    ends = starts + lengths[order % side * PAIR_SPACING + inner % PAIR_SPACING]
    return _at_best_lags(coarse, starts, ends, bounds, round(PAIR_REACH_SECONDS * coarse.rate_hz))


def periodic_candidates(
    coarse: CoarseWave, period: Period, envelope: Envelope, distances: np.ndarray, bounds: Bounds
) -> Candidates:
    """Return loops of whole periods, where their surroundings match best.

    distances : shape (times, lags), of each time from every later one.
    """
    period_frames = period.hops * envelope.hop_frames
    turns = np.arange(1, int(bounds.longest_frames / period_frames) + 1)
    lengths = np.rint(period_frames * turns).astype(int)
    lengths = lengths[lengths >= bounds.shortest_frames]
    wanted = np.argsort(short_penalty(lengths, bounds.wanted_frames), kind="stable")[:TURNS]
    times = len(distances)
    frames = envelope.first_frame + np.arange(times) * envelope.hop_frames
    starts, ends = [], []
    for length in lengths[wanted]:
        away = distances[:, min(times - 1, round(length / envelope.hop_frames))]
        inside = (frames >= bounds.first_start) & (frames + length <= bounds.last_end)
        places = frames[_apart(np.where(inside, away, np.inf), PLACES_APART_HOPS, PLACES_PER_TURN)]
        starts.append(places)
        ends.append(places + length)
    if not starts:
        return _none()
    reach = round(OFF_PERIOD * period_frames / coarse.factor)
    return _at_best_lags(coarse, np.concatenate(starts), np.concatenate(ends), bounds, reach)


def _apart(cost: np.ndarray, apart: int, most: int) -> np.ndarray:
    """Return which places cost least of those no two of which are nearer than ``apart``."""
    cost, places = cost.copy(), np.arange(len(cost))
    kept: list[int] = []
    while len(kept) < most and np.isfinite(cost).any():
        kept.append(int(np.argmin(cost)))
        cost[np.abs(places - kept[-1]) < apart] = np.inf
    return np.array(kept, dtype=int)


def _least(values: np.ndarray, count: int) -> np.ndarray:
    """Places of the ``count`` least finite values, rising; of equal ones the first."""
    limit = np.partition(values, min(count, len(values)) - 1)[:count].max() if len(values) else 0
    near = np.flatnonzero(np.isfinite(values) & (values <= limit))
    return np.asarray(near[np.argsort(values[near], kind="stable")][:count])


def _at_best_lags(
    coarse: CoarseWave, starts: np.ndarray, ends: np.ndarray, bounds: Bounds, reach: int
) -> Candidates:
    """Move each start to where the waveform matches best within ``reach`` coarse frames."""
    template = coarse.template_frames
    ends = (ends - coarse.first_frame) // coarse.factor
    lows = np.maximum((starts - coarse.first_frame) // coarse.factor - reach, template)
    usable = (ends >= template) & (lows + 2 * reach < coarse.wave.shape[1])
    ends, lows = ends[usable], lows[usable]
    if len(ends) == 0:
        return _none()
    rho = correlations_near(coarse, ends, lows, 2 * reach + 1)
    best = np.argmax(rho, axis=1)
    starts = (lows + best) * coarse.factor + coarse.first_frame
    ends = ends * coarse.factor + coarse.first_frame
    lengths = ends - starts
    kept = (lengths >= bounds.shortest_frames) & (lengths <= bounds.longest_frames)
    kept &= starts >= bounds.first_start
    return Candidates(
        starts=starts[kept],
        ends=ends[kept],
        correlation=peak_value(rho, best[:, None])[kept, 0],
    )


def _none() -> Candidates:
    return Candidates(starts=np.zeros(0, int), ends=np.zeros(0, int), correlation=np.zeros(0))
