"""The steady part of a note, as one channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

LEVEL_SECONDS = 0.01
"""Of the blocks whose levels are compared."""
ONSET_RANGE_DB, ATTACK_RANGE_DB, SUSTAIN_RANGE_DB = 26.0, 6.0, 36.0
"""Below the loudest block: where a note begins, where its attack is over, where it has ended."""
SETTLING_SECONDS = 0.08
"""Left out after the attack."""
LEAST_RELEASE_RATIO = 10**-1.2
"""Of power, 12 dB: what has not fallen so far where it ends has not been let go."""
RELEASE_SHARE = 0.5
"""Of the time before it: a fall that takes less is a release."""
SHORTEST_SECONDS, LONGEST_SECONDS = 0.1, 5.2
"""Of the steady part."""
ALIKE_CORRELATION = 0.3
"""From which on a channel has something in common with the loudest."""
UNLIKE_RANGE_DB = 20.0
"""Below the loudest channel: softer ones that have nothing in common with it do not count."""
SILENCE = 1e-6
"""Amplitude, -120 dBFS."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sustain:
    """One channel of a note and the frame ranges in it.

    ``mono`` float32, shape (frames,), from the onset to the end of the sound, its mean removed;
    [start_frame, end_frame) is the steady part, counted in ``mono``; ``onset_frame`` says where
    ``mono`` begins in the note.
    """

    mono: Array
    rate_hz: float
    onset_frame: int
    start_frame: int
    end_frame: int

    @property
    def seconds(self) -> float:
        """Length of the steady part."""
        return (self.end_frame - self.start_frame) / self.rate_hz


def mono_mix(samples: Array) -> Array:
    """Return one channel, float32, shape (frames,): the mean of the channels that sound.

    Those that run against the loudest are turned over, so that nothing cancels; of what has nothing
    in common with it, only what is less than 20 dB softer counts, as a side tuned apart is.

    samples : float, shape (frames, channels) or (frames,), full scale 1.0; may be empty.
    """
    sound = np.asarray(samples)
    if sound.ndim == 1:
        sound = sound[:, None]
    if not sound.size:
        return np.zeros(0, dtype=np.float32)
    columns = np.array(sound.T, dtype=np.float32, order="C")
    columns -= columns.mean(axis=1, keepdims=True)
    if not np.isfinite(columns).all():
        columns = np.nan_to_num(np.array(sound.T, dtype=np.float32), posinf=0.0, neginf=0.0)
    if len(columns) == 1:
        return np.asarray(columns[0])
    products = np.array([[one @ other for other in columns] for one in columns])
    energies = np.diag(products)
    loudest = int(np.argmax(energies))
    limits = ALIKE_CORRELATION * np.sqrt(np.maximum(energies * energies[loudest], 1e-30))
    sounding = energies >= energies[loudest] * 10 ** (-UNLIKE_RANGE_DB / 10)
    counted = np.where((np.abs(products[loudest]) >= limits) | sounding, 1.0, 0.0)
    weights = np.where(products[loudest] < 0, -counted, counted) / counted.sum()
    return np.asarray(weights.astype(np.float32) @ columns)


def find_sustain(mono: Array, rate_hz: float) -> Sustain | None:
    """Return the steady part of a note, or None when it is silent or empty.

    10 ms levels; steady from 80 ms after the first within 6 dB of the loudest to the last within
    36 dB of it, or to where a held note is let go; from the onset on, and at least 0.1 s, when that
    leaves less.

    mono : float32, shape (frames,).
    rate_hz : frames a second.
    """
    step = max(1, round(LEVEL_SECONDS * rate_hz))
    whole = len(mono) // step
    if whole == 0:
        if len(mono) < 3 or float(np.abs(mono).max()) < SILENCE:
            return None
        return _sustain_of(mono, rate_hz, 0, 0, len(mono))
    blocks = mono[: whole * step].reshape(whole, step)
    power = np.einsum("ij,ij->i", blocks, blocks) / step
    loudest = float(power.max())
    if loudest < SILENCE**2:
        return None
    sounding = np.flatnonzero(power > loudest * 10 ** (-SUSTAIN_RANGE_DB / 10))
    onset = int(np.argmax(power > loudest * 10 ** (-ONSET_RANGE_DB / 10))) * step
    start = int(np.argmax(power > loudest * 10 ** (-ATTACK_RANGE_DB / 10))) * step
    start += round(SETTLING_SECONDS * rate_hz)
    end = _before_release(power, start // step, int(sounding[-1])) * step
    if end - start < SHORTEST_SECONDS * rate_hz:
        start = onset
    end = min(len(mono), max(end, start + round(SHORTEST_SECONDS * rate_hz)))
    return _sustain_of(mono, rate_hz, onset, start, end)


def _before_release(power: Array, first: int, last: int) -> int:
    """Return the block after the steady ones: where a held note falls, if its end is a release.

    The lower two thirds of the fall in dB are one where they take less than half the time of what
    is before them; of a note that dies away by itself they take twice that time.
    """
    fallen = float(power[last] / power.max())
    if fallen > LEAST_RELEASE_RATIO:
        return last + 1
    loud = int(np.flatnonzero(power > power.max() * fallen ** (1 / 3))[-1])
    is_release = last - loud < RELEASE_SHARE * (loud - first)
    return (loud if is_release else last) + 1


def _sustain_of(mono: Array, rate_hz: float, onset: int, start: int, end: int) -> Sustain:
    end = min(end, start + round(LONGEST_SECONDS * rate_hz))
    onset = max(onset, start - round(LONGEST_SECONDS * rate_hz))
    return Sustain(
        mono=mono[onset:end],
        rate_hz=rate_hz,
        onset_frame=onset,
        start_frame=start - onset,
        end_frame=end - onset,
    )
