"""How a sample begins and ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.blocks import block_energies
from keymapper.measuring.levels import amplitude_db, loudest_windows, peak_dbfs, rms_dbfs
from keymapper.model.sample_facts import Edges, Start
from keymapper.model.sound import SILENCE_DBFS, Course

TAIL_SECONDS = 0.02
PAUSE_BLOCK_SECONDS = 0.01
PAUSE_BELOW_PEAK_DB = 60.0
NOISE_BELOW_PEAK_DB = 30.0
NOISE_RANGE_DB = 6.0
FADE_DB = 6.0
LEAD_BLOCK_SECONDS = 0.002
OVER_NOISE_DB = 8.0
RISEN_BELOW_PEAK_DB = 20.0
MOST_GROWN = 0.9
"""A sound as loud as this where it is first seen, against 20 dB under its loudest, says no more
about how it began."""
HEAD_BELOW_PEAK_DB = 30.0
HEAD_BLOCKS = 5


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
    silences = _silences(samples, rate)
    lead_seconds, risen_seconds = _rising_seconds(samples, rate)
    return Edges(
        lead_seconds=lead_seconds,
        rise_seconds=risen_seconds - lead_seconds,
        first_step_db=start_at(samples, 0).step_db,
        last_step_db=_against(amplitude_db(float(np.abs(samples[-1]).max())), peak),
        tail_db=_against(last, body),
        fades_out=before - last >= FADE_DB,
        quiet_tail_seconds=silences.tail_seconds,
        longest_pause_seconds=silences.pause_seconds,
    )


def start_at(samples: np.ndarray, frame: int) -> Start:
    """Return how a sound begins that is played from one of its frames on.

    samples : float, shape (frames, channels), free of DC.
    """
    step_db = amplitude_db(float(np.abs(samples[frame]).max()))
    return Start(frame=frame, step_db=_against(step_db, peak_dbfs(samples)))


def _rising_seconds(samples: np.ndarray, rate: int) -> tuple[float, float]:
    """Return when a sound begins to rise, and when it is 20 dB under its loudest block of 2 ms.

    A slow attack, a beat or a stroke before the main one is no silence: what counts is 60 dB under
    the loudest block, or 8 dB over the quietest of the head where 10 ms of it lie 30 dB under it.
    What grows in proportion to time began earlier than it comes out of its noise.
    """
    block = max(1, round(LEAD_BLOCK_SECONDS * rate))
    power = block_energies(samples, block)
    if len(power) < 2:
        return 0.0, 0.0
    loudest = int(np.argmax(power))
    if loudest == 0:
        return 0.0, 0.0
    head, highest = power[:loudest], float(power[loudest])
    few = min(HEAD_BLOCKS, loudest)
    quiet = float(np.convolve(head, np.full(few, 1 / few), mode="valid").min())
    threshold = highest * 10 ** (-PAUSE_BELOW_PEAK_DB / 10)
    if quiet < highest * 10 ** (-HEAD_BELOW_PEAK_DB / 10):
        threshold = max(threshold, float(head.min()) * 10 ** (OVER_NOISE_DB / 10))
    above = power > threshold
    stays = above & np.append(above[1:], True)
    seen = int(np.argmax(stays))
    risen_power = highest * 10 ** (-RISEN_BELOW_PEAK_DB / 10)
    risen = max(seen, int(np.argmax(power >= risen_power)))
    grown = min((threshold / risen_power) ** 0.5, MOST_GROWN)
    hidden = (risen - seen) * grown / (1.0 - grown)
    return max(seen - hidden, 0.0) * block / rate, risen * block / rate


def _against(level_db: float, reference_db: float) -> float:
    if level_db <= SILENCE_DBFS or reference_db <= SILENCE_DBFS:
        return SILENCE_DBFS
    return max(level_db - reference_db, SILENCE_DBFS)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Silences:
    """Seconds of silence between two sounds (the longest), and after the last."""

    pause_seconds: float
    tail_seconds: float


def _silences(samples: np.ndarray, rate: int) -> _Silences:
    """Return the runs of silent blocks of 10 ms; what counts is how far a block moves.

    Silent is 60 dB under the loudest block, or within 6 dB of the quietest where that lies 30 dB
    under the loudest.
    """
    block = max(1, round(PAUSE_BLOCK_SECONDS * rate))
    count = len(samples) // block
    if count < 3:
        return _Silences(pause_seconds=0.0, tail_seconds=0.0)
    sides = np.array(samples[: count * block].T, dtype=np.float64, order="C")
    power = sides.reshape(len(sides), count, block).var(axis=2).sum(axis=0)
    loudest, quietest = float(power.max()), float(power.min())
    threshold = loudest * 10 ** (-PAUSE_BELOW_PEAK_DB / 10)
    if quietest < loudest * 10 ** (-NOISE_BELOW_PEAK_DB / 10):
        threshold = max(threshold, quietest * 10 ** (NOISE_RANGE_DB / 10))
    quiet = power <= threshold
    edges = np.flatnonzero(np.diff(np.concatenate([[0], quiet.astype(np.int8), [0]])))
    starts, ends = edges[::2], edges[1::2]
    lengths, inside = ends - starts, (starts > 0) & (ends < count)
    at_tail = lengths[(ends == count) & (starts > 0)]
    return _Silences(
        pause_seconds=int(lengths[inside].max(initial=0)) * block / rate,
        tail_seconds=int(at_tail.max(initial=0)) * block / rate,
    )
