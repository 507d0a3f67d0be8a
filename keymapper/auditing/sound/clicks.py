"""Clicks inside a note: jumps that its own period does not explain."""

from __future__ import annotations

import numpy as np

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
MOST_CLICKS = 20
MOST_PERIODS_BACK = 8


def find_clicks(
    samples: np.ndarray, rate: int, course: Course, f0_hz: float | None
) -> tuple[Click, ...]:
    """Return the jumps that stand out from those around them, loudest first.

    The first difference is compared with that one period earlier and later, whichever is nearer:
    what recurs cancels, a click does not, and its echo is ruled out by the other side. The
    largest value in windows of 2 ms is held against the 95th percentile of the windows within
    100 ms (six periods of a low note). A jump after which the sound stays louder is an attack.

    samples : float, shape (frames, channels), free of DC.
    course : the attack and the last 12 ms are left out.
    f0_hz : fundamental; None compares the jumps themselves.
    """
    risen = min(course.attack_end_frame, course.onset_frame + round(LONGEST_ATTACK_SECONDS * rate))
    first = risen + round(SKIPPED_HEAD_SECONDS * rate)
    last = course.end_frame - round(SKIPPED_TAIL_SECONDS * rate)
    window = max(4, round(WINDOW_SECONDS * rate))
    if last - first < 20 * window:
        return ()
    jumps = np.abs(np.diff(samples[first:last], axis=0)).max(axis=1)
    novel = jumps if f0_hz is None else _unexplained(samples[first:last], rate / f0_hz)
    around = AROUND_SECONDS if f0_hz is None else max(AROUND_SECONDS, AROUND_PERIODS / f0_hz)
    highest = _windowed_maxima(novel, window)
    usual = _usual(highest, round(around / WINDOW_SECONDS))
    over_db = 20 * np.log10(np.maximum(highest, 1e-9) / np.maximum(usual, 1e-6))
    level = _windowed_maxima(jumps, window)
    found = [
        Click(
            frame=first + int(at) * window + int(np.argmax(novel[at * window : (at + 1) * window])),
            over_db=round(float(over_db[at]), 2),
        )
        for at in _peaks(over_db)
        if not _is_attack(level, int(at))
    ]
    return tuple(sorted(found, key=lambda click: -click.over_db)[:MOST_CLICKS])


def _unexplained(samples: np.ndarray, period_frames: float) -> np.ndarray:
    """Return |difference - difference a whole number of periods away|, the nearer side's."""
    multiples = np.arange(1, MOST_PERIODS_BACK + 1) * period_frames
    lag = round(float(multiples[np.argmin(np.abs(multiples - np.rint(multiples)))]))
    difference = np.diff(samples, axis=0)
    if not 0 < lag < len(difference) // 3:
        return np.asarray(np.abs(difference).max(axis=1))
    distance = np.abs(difference[lag:] - difference[:-lag]).max(axis=1)
    before = np.concatenate([distance[:lag], distance])
    after = np.concatenate([distance, distance[-lag:]])
    return np.asarray(np.minimum(before, after))


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
    peak = (over_db >= padded[:-2]) & (over_db > padded[2:]) & (over_db >= LEAST_OVER_DB)
    return np.flatnonzero(peak)


def _is_attack(level: np.ndarray, at: int) -> bool:
    """Whether jumps stay larger (or smaller) after the window than they were before."""
    before, after = level[max(0, at - 12) : max(1, at - 2)], level[at + 3 : at + 13]
    if not len(before) or not len(after):
        return True
    ratio = max(float(np.median(after)), 1e-7) / max(float(np.median(before)), 1e-7)
    return bool(abs(20 * np.log10(ratio)) > AFTER_DB)
