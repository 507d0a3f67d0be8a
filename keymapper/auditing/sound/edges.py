"""How a sample begins and ends."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.levels import amplitude_db, loudest_windows, peak_dbfs, rms_dbfs
from keymapper.model.sample_facts import Edges
from keymapper.model.sound import SILENCE_DBFS, Course

TAIL_SECONDS = 0.02
PAUSE_BLOCK_SECONDS = 0.01
PAUSE_BELOW_PEAK_DB = 60.0
FADE_DB = 6.0
LEAD_BLOCK_SECONDS = 0.002
OVER_NOISE_DB = 8.0


def measured_edges(samples: np.ndarray, rate: int, course: Course) -> Edges:
    """Return how a sample begins and ends, in dB against its own peak or body.

    samples : float, shape (frames, channels), at least one frame, free of DC.
    """
    peak = peak_dbfs(samples)
    sound = samples[course.onset_frame : course.end_frame]
    body = rms_dbfs(loudest_windows(sound if len(sound) else samples, rate)[0])
    tail = max(1, round(TAIL_SECONDS * rate))
    last = rms_dbfs(samples[-tail:])
    before = rms_dbfs(samples[-2 * tail : -tail]) if len(samples) >= 2 * tail else last
    return Edges(
        lead_seconds=_lead_seconds(samples, rate),
        first_step_db=_against(amplitude_db(float(np.abs(samples[0]).max())), peak),
        last_step_db=_against(amplitude_db(float(np.abs(samples[-1]).max())), peak),
        tail_db=_against(last, body),
        fades_out=before - last >= FADE_DB,
        quiet_tail_seconds=(len(samples) - course.end_frame) / rate,
        longest_pause_seconds=_longest_pause_seconds(samples, rate, course),
    )


def _lead_seconds(samples: np.ndarray, rate: int) -> float:
    """Return when the first block of 2 ms rises over silence.

    A slow attack is no silence: what counts is 60 dB under the loudest block, or 8 dB over the
    quietest of the head where that is more.
    """
    block = max(1, round(LEAD_BLOCK_SECONDS * rate))
    count = len(samples) // block
    if count < 2:
        return 0.0
    whole = np.ascontiguousarray(samples[: count * block]).reshape(count, -1)
    power = np.einsum("ij,ij->i", whole, whole)
    loudest = int(np.argmax(power))
    if loudest == 0:
        return 0.0
    quietest = float(power[:loudest].min())
    threshold = max(
        float(power[loudest]) * 10 ** (-PAUSE_BELOW_PEAK_DB / 10),
        quietest * 10 ** (OVER_NOISE_DB / 10),
    )
    above = power > threshold
    stays = above & np.append(above[1:], True)
    return float(int(np.argmax(stays)) * block / rate)


def _against(level_db: float, reference_db: float) -> float:
    if level_db <= SILENCE_DBFS or reference_db <= SILENCE_DBFS:
        return SILENCE_DBFS
    return max(level_db - reference_db, SILENCE_DBFS)


def _longest_pause_seconds(samples: np.ndarray, rate: int, course: Course) -> float:
    """Longest run of blocks of 10 ms that are 60 dB below the loudest, inside the sound."""
    block = max(1, round(PAUSE_BLOCK_SECONDS * rate))
    sound = samples[course.onset_frame : course.end_frame]
    count = len(sound) // block
    if count < 3:
        return 0.0
    whole = np.ascontiguousarray(sound[: count * block]).reshape(count, -1)
    power = np.einsum("ij,ij->i", whole, whole)
    quiet = power <= float(power.max()) * 10 ** (-PAUSE_BELOW_PEAK_DB / 10)
    flags = np.concatenate([[0], quiet.astype(np.int8), [0]])
    edges = np.flatnonzero(np.diff(flags))
    starts, ends = edges[::2], edges[1::2]
    inside = (starts > 0) & (ends < count)
    longest = int((ends - starts)[inside].max(initial=0))
    return longest * block / rate
