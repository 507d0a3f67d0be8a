"""Clicks inside a note: jumps that its own period does not explain."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from keymapper.channels import frame_peaks
from keymapper.model.pitch import Pitch
from keymapper.model.sample_facts import Click
from keymapper.model.sound import Course

WINDOW_SECONDS = 0.002
AROUND_SECONDS = 0.1
AROUND_PERIODS = 6
GUARD_WINDOWS = 2
USUAL_PERCENTILE = 95
SKIPPED_HEAD_SECONDS = 0.04
LONGEST_ATTACK_SECONDS = 0.4
SKIPPED_TAIL_SECONDS = 0.012
LEAST_OVER_DB = 6.0
AFTER_DB = 8.0
UNHEARD_RATIO = 0.001
"""A jump so far under the sound around it is nothing by itself."""
MOST_CLICKS = 40
DIFFERENCES = (1, 3)
SAME_CLICK_SECONDS = 0.02
LEAST_STEPS, STEP_REGULARITY = 8, 0.93
FEW_STEPS, FEW_STEPS_REGULARITY = 5, 0.99
"""So few must keep to the grid so closely."""
LEAST_SHARE_ON_GRID = 0.8
MOST_OFF_STEP = 0.15
"""Of the grid's period: what lies farther from it is none of the steps."""
FAINT_STEP_DB = 3.0
STEP_SECONDS = (0.06, 0.5)
MOST_PERIODS_BACK = 8


def find_clicks(
    samples: np.ndarray, rate: int, course: Course, pitch: Pitch, step: float
) -> tuple[Click, ...]:
    """Return the jumps that stand out from those around them, loudest first.

    Differences of the first and third order (the latter hears what is shorter than any wave of
    the sound) are compared with those one period earlier and later, whichever is nearer: what
    recurs cancels, a click does not, and its echo is ruled out by the other side. The
    largest value in windows of 2 ms is held against the 95th percentile of the windows within
    100 ms (six periods of a low note), and against what rounding alone can do and what is far
    under the sound itself: where a wave repeats to the last bit, a bit is no click. A jump after
    which the sound stays louder is an attack; jumps at even distances are a sequencer's, faint ones
    counted too.

    samples : float, shape (frames, channels), free of DC.
    course : the attack and the last 12 ms are left out.
    pitch : where it is doubtful, the jumps themselves are compared; a glide is left out.
    step : of the numbers in the file.
    """
    f0_hz = None if pitch.doubtful else pitch.f0_hz
    settle_seconds = pitch.settle_seconds or 0.0
    risen = min(course.attack_end_frame, course.onset_frame + round(LONGEST_ATTACK_SECONDS * rate))
    first = max(risen, course.onset_frame + round(settle_seconds * rate))
    first += round(SKIPPED_HEAD_SECONDS * rate)
    last = course.end_frame - round(SKIPPED_TAIL_SECONDS * rate)
    window = max(4, round(WINDOW_SECONDS * rate))
    if last - first < 20 * window:
        return ()
    around = AROUND_SECONDS if f0_hz is None else max(AROUND_SECONDS, AROUND_PERIODS / f0_hz)
    reach = round(around / WINDOW_SECONDS)
    period = None if f0_hz is None else rate / f0_hz
    loud = _usual(_windowed_maxima(frame_peaks(samples[first:last]), window), reach)
    found: dict[int, Click] = {}
    for order in DIFFERENCES:
        jumps = np.diff(samples[first:last], n=order, axis=0)
        least = np.maximum(2.0**order * step, UNHEARD_RATIO * loud)
        for at, over_db in _standing_out(jumps, period, (window, reach), least):
            earlier = found.get(at // window)
            if earlier is None or earlier.over_db < over_db:
                found[at // window] = Click(frame=first + at, over_db=round(over_db, 2))
    clicks = [click for click in found.values() if click.over_db >= LEAST_OVER_DB]
    for among in (clicks, list(found.values())):
        clicks = _off_steps(clicks, among, rate)
    return tuple(sorted(clicks, key=lambda click: -click.over_db)[:MOST_CLICKS])


def _off_steps(clicks: list[Click], among: list[Click], rate: int) -> list[Click]:
    """Return the clicks that are no steps: at even distances, as a sequencer's or a gate's are.

    Five or more jumps, of many four in five, must lie on a grid of 60 to 500 ms: the resultant
    length of their phases (Mardia & Jupp, Directional Statistics, 2000, eq. 2.3.5) is near 1.
    """
    seconds = np.array(sorted(click.frame for click in among)) / rate
    apart = np.diff(seconds, prepend=-np.inf) > SAME_CLICK_SECONDS
    seconds = seconds[apart]
    grid = _grid(seconds)
    if grid is None:
        return clicks
    off = np.abs(_off_grid(np.array([click.frame for click in clicks]) / rate, *grid))
    return [click for click, far in zip(clicks, off, strict=True) if far > MOST_OFF_STEP]


def _grid(seconds: np.ndarray) -> tuple[float, float] | None:
    """Return period and first place, in seconds, of the grid that most places keep to, or None."""
    if len(seconds) < FEW_STEPS:
        return None
    periods = np.geomspace(*STEP_SECONDS, 2000)
    means = np.exp(2j * np.pi * seconds / periods[:, None]).mean(axis=1)
    best = int(np.argmax(np.abs(means)))
    period = float(periods[best])
    first = float(np.angle(means[best])) / (2 * np.pi) * period
    off = _off_grid(seconds, period, first)
    on = off[np.abs(off) <= MOST_OFF_STEP]
    few = len(seconds) < LEAST_STEPS
    if len(on) < (1.0 if few else LEAST_SHARE_ON_GRID) * len(seconds):
        return None
    regular = float(np.abs(np.exp(2j * np.pi * on).mean()))
    return (period, first) if regular > (FEW_STEPS_REGULARITY if few else STEP_REGULARITY) else None


def _off_grid(seconds: np.ndarray, period: float, first: float) -> np.ndarray:
    """Return how far places lie from those of a grid, in periods of it, -0.5 to 0.5."""
    turns = (seconds - first) / period
    return np.asarray(turns - np.rint(turns))


def _standing_out(
    jumps: np.ndarray, period_frames: float | None, spans: tuple[int, int], least: np.ndarray
) -> Iterator[tuple[int, float]]:
    """Yield the frames at which a difference stands out, and by how many dB.

    spans : frames of a window, and the windows on either side that one is compared with.
    least : for each window, the difference over which all are measured that are smaller.
    """
    window, reach = spans
    sizes = frame_peaks(jumps)
    novel = sizes if period_frames is None else _unexplained(jumps, period_frames)
    highest = _windowed_maxima(novel, window)
    usual = np.maximum(_usual(highest, reach), least[: len(highest)])
    over_db = 20 * np.log10(np.maximum(highest, 1e-9) / np.maximum(usual, 1e-6))
    level = _windowed_maxima(sizes, window)
    for at in _peaks(over_db).tolist():
        if not _is_attack(level, at):
            inside = int(np.argmax(novel[at * window : (at + 1) * window]))
            yield at * window + inside, float(over_db[at])


def _unexplained(jumps: np.ndarray, period_frames: float) -> np.ndarray:
    """Return |difference - difference a whole number of periods away|, the nearer side's."""
    multiples = np.arange(1, MOST_PERIODS_BACK + 1) * period_frames
    lag = round(float(multiples[np.argmin(np.abs(multiples - np.rint(multiples)))]))
    if not 0 < lag < len(jumps) // 3:
        return frame_peaks(jumps)
    before, after = _distances(jumps[::-1], lag)[::-1], _distances(jumps, lag)
    return np.asarray(np.minimum(before, after))


def _distances(jumps: np.ndarray, lag: int) -> np.ndarray:
    """Return how far each jump is from the likest one a lag later; infinite where there is none.

    A frame more or less counts as the lag: an edge that falls between frames comes early or late.
    """
    count = len(jumps) - lag - 1
    near = [
        frame_peaks(jumps[:count] - jumps[lag + shift : lag + shift + count])
        for shift in (-1, 0, 1)
    ]
    return np.concatenate([np.minimum.reduce(near), np.full(lag + 1, np.inf)])


def _windowed_maxima(values: np.ndarray, window: int) -> np.ndarray:
    count = len(values) // window
    return np.asarray(values[: count * window].reshape(count, window).max(axis=1))


def _usual(highest: np.ndarray, reach: int) -> np.ndarray:
    """95th percentile of the windows around each, itself and its next neighbours left out."""
    reach = min(reach, (len(highest) - 1) // 2)
    padded = np.pad(highest, reach, mode="reflect")
    views = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    others = np.delete(views, np.s_[reach - GUARD_WINDOWS : reach + GUARD_WINDOWS + 1], axis=1)
    rank = min(others.shape[1] - 1, others.shape[1] * USUAL_PERCENTILE // 100)
    return np.asarray(np.partition(others, rank, axis=1)[:, rank])


def _peaks(over_db: np.ndarray) -> np.ndarray:
    """Windows that stand out and are higher than both neighbours."""
    padded = np.pad(over_db, 1, constant_values=-np.inf)
    peak = (over_db >= padded[:-2]) & (over_db > padded[2:]) & (over_db >= FAINT_STEP_DB)
    return np.flatnonzero(peak)


def _is_attack(level: np.ndarray, at: int) -> bool:
    """Whether jumps stay larger (or smaller) after the window than they were before.

    Both the usual and the largest: edges of a wave fall into some windows, a click into one.
    """
    before, after = level[max(0, at - 12) : max(1, at - 2)], level[at + 3 : at + 13]
    if not len(before) or not len(after):
        return True
    usual_db, largest_db = (
        20 * np.log10(max(float(size(after)), 1e-7) / max(float(size(before)), 1e-7))
        for size in (np.median, np.max)
    )
    return bool(min(usual_db, largest_db) > AFTER_DB or max(usual_db, largest_db) < -AFTER_DB)
