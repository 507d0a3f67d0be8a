"""Where a recording rests: the offset of the converter, which is not the mean of the wave."""

from __future__ import annotations

import numpy as np

from keymapper.channels import channel_means, less_means

BLOCK_SECONDS = 0.005
REST_BLOCKS = 10
"""Longer than a period of the lowest notes and of mains hum."""
LEAST_REST_BLOCKS = 4
REST_BELOW_PEAK_DB = 36.0
SHORT_REST_BELOW_PEAK_DB = 50.0
ENDS_SECONDS = 0.001
ENDS_BELOW_PEAK_DB = 12.0
ENDS_ALIKE_BELOW_PEAK_DB = 60.0


def centred(samples: np.ndarray, rate: int) -> np.ndarray:
    """Return samples less their offsets.

    samples : float, shape (frames, channels), full scale 1.0.
    """
    return less_means(samples, offsets(samples, rate))


def offsets(samples: np.ndarray, rate: int) -> np.ndarray:
    """Return what each channel rests at, its mean where it never rests, shape (channels,).

    A wave may have a mean of its own, which comes and goes with the note: taken off as a whole it
    would be a step in the silence before and after. The offset is the mean of 50 ms of rest at the
    head or else at the tail, where it differs from that of the file by more than what moves there;
    of a note cut closer, of 20 ms and more; of one that rises at its first frame and falls until
    its last, the value that it comes from and goes back to.

    samples : float, shape (frames, channels), full scale 1.0.
    """
    means = channel_means(samples)
    rest = _rest(samples, rate, means)
    if rest is None:
        ends = [
            _of_ends(channel, mean, rate) for channel, mean in zip(samples.T, means, strict=True)
        ]
        return np.array(ends, samples.dtype)
    resting = channel_means(rest)
    moving = np.sqrt(channel_means((rest - resting) ** 2))
    return np.where(np.abs(resting - means) > moving, resting, means)


def _rest(samples: np.ndarray, rate: int, means: np.ndarray) -> np.ndarray | None:
    """Return the longest stretch of rest before the note, else what is after it, if it rests."""
    block = max(1, round(BLOCK_SECONDS * rate))
    peak = _largest_apart(samples, means)
    for blocks in range(REST_BLOCKS, LEAST_REST_BLOCKS - 1, -1):
        below = REST_BELOW_PEAK_DB if blocks == REST_BLOCKS else SHORT_REST_BELOW_PEAK_DB
        if _rests(samples[: blocks * block], peak, below):
            return samples[: blocks * block]
    tail = samples[-REST_BLOCKS * block :]
    return tail if _rests(tail, peak, REST_BELOW_PEAK_DB) else None


def _of_ends(channel: np.ndarray, mean: float, rate: int) -> float:
    """Return what the first and the last frame of a channel share, near which its ends lie.

    The mean where they share nothing, move away from it at once, or share the mean itself.
    """
    if not len(channel):
        return mean
    first, last = float(channel[0]), float(channel[-1])
    shared, peak = (first + last) / 2, _largest_apart(channel, np.array([mean]))
    few = max(1, round(ENDS_SECONDS * rate))
    ends = np.concatenate([channel[:few], channel[-few:]])
    least = peak * 10 ** (-ENDS_ALIKE_BELOW_PEAK_DB / 20)
    near = _largest_apart(ends, np.array([shared])) < peak * 10 ** (-ENDS_BELOW_PEAK_DB / 20)
    return shared if near and abs(first - last) <= least < abs(shared - mean) else mean


def _largest_apart(samples: np.ndarray, means: np.ndarray) -> float:
    """Return how far any channel goes from its mean; where means differ, up to so much more."""
    high, low = float(samples.max()), float(samples.min())
    return max(high - float(means.min()), float(means.max()) - low)


def _rests(part: np.ndarray, peak: float, below_peak_db: float) -> bool:
    moving = float(np.sqrt(np.mean((part - channel_means(part)) ** 2))) if len(part) else 0.0
    return moving < peak * 10 ** (-below_peak_db / 20)
