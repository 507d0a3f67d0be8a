"""How loud a note is, and how clean."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft

from keymapper.channels import channel_means
from keymapper.measuring.blocks import block_energies
from keymapper.measuring.flat_tops import flat_top_frames
from keymapper.measuring.k_weighting import LOUDNESS_OFFSET_DB, k_weighting
from keymapper.model.loop import Loop
from keymapper.model.sound import SILENCE_DBFS, Course, Levels

CLIP_LEVEL = 0.9999
"""Full scale less a hair: converters and limiters stop just below 1.0."""
CLIP_RUN_FRAMES = 3
BODY_SECONDS = 0.4
MOST_LOST_DB = 12.0
"""Sides that cancel out cannot be put back; the audit tells of them."""
_LOUDEST_WINDOWS = 4


def amplitude_db(amplitude: float) -> float:
    """Return an amplitude in dB re full scale, at least SILENCE_DBFS."""
    return max(20 * math.log10(amplitude), SILENCE_DBFS) if amplitude > 0 else SILENCE_DBFS


def power_db(power: float) -> float:
    """Return a power in dB re full scale squared, at least SILENCE_DBFS."""
    return max(10 * math.log10(power), SILENCE_DBFS) if power > 0 else SILENCE_DBFS


def peak_dbfs(samples: np.ndarray) -> float:
    """Return the highest magnitude over all channels, in dB re full scale.

    samples : float, shape (frames, channels); may be empty (SILENCE_DBFS).
    """
    if not samples.size:
        return SILENCE_DBFS
    return amplitude_db(max(float(samples.max()), -float(samples.min())))


def rms_dbfs(samples: np.ndarray) -> float:
    """Return the root mean square over all frames and channels, in dB re full scale."""
    return power_db(_mean_square(samples)) if samples.size else SILENCE_DBFS


def _mean_square(samples: np.ndarray) -> float:
    flat = np.ascontiguousarray(samples).reshape(-1)
    return float(np.dot(flat, flat)) / max(1, flat.size)


def clipped_frames(samples: np.ndarray) -> int:
    """Return the number of frames in runs of at least three at full scale, in any channel.

    A float recording that goes beyond full scale was not cut off there; in one, only flat tops
    count: runs of equal frames.
    """
    if not samples.size or max(float(samples.max()), -float(samples.min())) < CLIP_LEVEL:
        return 0
    count = 0
    for channel in samples.T:
        at_limit = np.concatenate([[False], _at_limit(channel), [False]])
        edges = np.flatnonzero(np.diff(at_limit.astype(np.int8)))
        runs = edges[1::2] - edges[::2]
        count += int(runs[runs >= CLIP_RUN_FRAMES].sum())
    return count


def _at_limit(channel: np.ndarray) -> np.ndarray:
    loud: np.ndarray = np.abs(channel) >= CLIP_LEVEL
    if max(float(channel.max()), -float(channel.min())) <= 1.0:
        return loud
    equal = np.concatenate([[False], np.diff(channel) == 0, [False]])
    flat: np.ndarray = loud & (equal[:-1] | equal[1:])
    return flat


def loudest_windows(samples: np.ndarray, rate: int) -> np.ndarray:
    """Return the loudest stretches of 400 ms, shape (windows, frames, channels).

    A sound shorter than that is one window by itself.
    """
    size = round(BODY_SECONDS * rate)
    if len(samples) <= size:
        return samples[np.newaxis]
    hop = size // 4
    energy = np.convolve(block_energies(samples, hop), np.ones(4), "valid")
    energy = energy[: (len(samples) - size) // hop + 1]
    order = np.argsort(-energy, kind="stable")[:_LOUDEST_WINDOWS]
    return np.stack([samples[i * hop : i * hop + size] for i in order])


def momentary_loudness_lufs(windows: np.ndarray, rate: int) -> float:
    """Return the highest K-weighted loudness of some windows, in LUFS.

    Momentary loudness of EBU Tech 3341, in the frequency domain; a window shorter than 400 ms is
    rated over its own length, so that a short note is not taken for a soft one. A mono sample
    counts as one channel (3 dB less than the same in both).

    windows : float, shape (windows, frames, channels). Silence gives SILENCE_DBFS.
    """
    frames = windows.shape[1]
    padded = scipy.fft.next_fast_len(frames, real=True)
    spectrum = scipy.fft.rfft(windows, padded, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    mean_square = (_k_weights(padded, rate) @ power).sum(axis=1) / (padded * frames)
    return max(power_db(float(mean_square.max())) + LOUDNESS_OFFSET_DB, SILENCE_DBFS)


@lru_cache(maxsize=8)
def _k_weights(size: int, rate: int) -> np.ndarray:
    """Return the K-weighting of each bin of a one-sided spectrum; all but the first count twice."""
    weights = 2 * k_weighting(np.fft.rfftfreq(size, 1 / rate), rate)
    weights[0] /= 2
    return weights


def measured_levels(
    samples: np.ndarray, rate: int, times: Course, noise_floor_dbfs: float | None
) -> Levels:
    """Return the levels of a note that takes this course."""
    sound = samples[times.onset_frame : times.end_frame]
    if not len(sound):
        sound = samples
    windows = loudest_windows(sound, rate)
    held = samples[times.attack_end_frame : times.note_off_frame]
    sustained = times.sustains and len(held) >= BODY_SECONDS * rate
    means = channel_means(samples)
    clipped = clipped_frames(samples)
    return Levels(
        peak_dbfs=peak_dbfs(samples),
        rms_dbfs=rms_dbfs(sound),
        loudness_lufs=momentary_loudness_lufs(windows, rate),
        body_dbfs=rms_dbfs(held if sustained else windows[0]),
        noise_floor_dbfs=noise_floor_dbfs,
        dc_offset=float(means[np.argmax(np.abs(means))]),
        clipped_frames=clipped,
        flat_top_frames=0 if clipped else flat_top_frames(samples),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldedLevel:
    """What folding two sides to their mean does to a sound."""

    lost_db: float
    """By how much its power falls below that of the two sides on average."""
    peak_dbfs: float
    """Of the fold."""


def folded_level(samples: np.ndarray, loop: Loop | None) -> FoldedLevel:
    """Return what is lost where two sides are folded: nothing for equal ones, 3 dB for unlike.

    Of a looped sample the loop counts, which goes on sounding.

    samples : float, shape (frames, 2).
    """
    folded = samples.mean(axis=1, keepdims=True)
    heard = slice(None) if loop is None else slice(loop.start_frame, loop.end_frame)
    lost_db = rms_dbfs(samples[heard]) - rms_dbfs(folded[heard])
    return FoldedLevel(
        lost_db=min(MOST_LOST_DB, max(0.0, lost_db)),
        peak_dbfs=peak_dbfs(folded),
    )
