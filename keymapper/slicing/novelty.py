"""How much of the sound at each moment is new: the curve in which onsets are looked for.

Novelty is the share of the spectrum's amplitude, over third-octave-like bands, that was not there
in the 50 ms before (a spectral flux with a maximum filter over neighbouring bands against
vibrato, as Boeck and Widmer, "Maximum filter vibrato suppression for onset detection", DAFx 2013,
here relative to the sound itself so that soft and loud notes count alike).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from keymapper.slicing.course import HOP_SECONDS, SILENCE_POWER, FloatArray, TakeCourse, band_bins

_MEMORY_HOPS = 5
_CHUNK_HOPS = 20_000
_OVERLAP_HOPS = 16
_NOISE_WINDOW_HOPS = 10
_BAND_SHARE = 0.04
"""Share of the least noise floor that falls to one band."""
_NOISE_QUANTILE = 3.7
"""Standard normal quantile that a band of noise alone passes about once in 10 000 hops."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Novelty:
    """Share of the amplitude that is new, 0..1, a value every hop; hop n is at n * hop_seconds."""

    hop_seconds: float
    share: FloatArray
    noise_power: FloatArray
    """Mean noise power of each band."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A moment at which a note may begin."""

    seconds: float
    strength: float
    """0..1, the share of the sound that is new."""


def novelty_of(course: TakeCourse) -> Novelty:
    """Return the novelty curve of a take; silence and steady noise give 0."""
    bands = course.bands_db
    hop_seconds = course.block_seconds * round(HOP_SECONDS / 0.001)
    noise = _noise_power(bands)
    least = noise * _noise_margin(bands.shape[1], course)
    share = np.zeros(len(bands), np.float32)
    for start in range(0, len(bands), _CHUNK_HOPS):
        first = max(0, start - _OVERLAP_HOPS)
        end = min(len(bands), start + _CHUNK_HOPS)
        power = 10 ** (bands[first:end].astype(np.float32) / 10)
        share[start:end] = _new_share(np.sqrt(np.maximum(power, least)))[start - first :]
    return Novelty(hop_seconds=hop_seconds, share=share, noise_power=noise)


def swells_of(course: TakeCourse, novelty: Novelty, least: float) -> tuple[Candidate, ...]:
    """Return where sound slowly grows out of what was there, in order of time.

    The same share of new amplitude, but of 0.2 s means against the 0.3 s before, every 50 ms: it
    finds attacks of seconds, and notes softer than the noise around them, to about 0.1 s.
    """
    step, after, past = 5, 4, 6
    count = len(course.bands_db) // step
    if count <= after:
        return ()
    blocks = np.empty((count, course.bands_db.shape[1]), np.float32)
    for start in range(0, count, _CHUNK_HOPS):
        end = min(count, start + _CHUNK_HOPS)
        bands = course.bands_db[start * step : end * step].astype(np.float32)
        blocks[start:end] = (10 ** (bands / 10)).reshape(end - start, step, -1).mean(axis=1)
    means = np.lib.stride_tricks.sliding_window_view(blocks, after, axis=0).mean(axis=-1)
    known = np.lib.stride_tricks.sliding_window_view(blocks, 2, axis=0).mean(axis=-1)
    known = maximum_filter1d(known, past, axis=0, origin=past // 2 - 1)
    known = np.concatenate([known[:1]] * 3 + [known[: len(means) - 3]])
    margin = _noise_margin(blocks.shape[1], course, hops=2 * step)
    levels = np.sqrt(novelty.noise_power * margin)
    for power in (means, known):  # in place: a long take fills them
        np.maximum(np.sqrt(power, out=power), levels, out=power)
    heard = means.sum(axis=1)
    np.maximum(np.subtract(means, known, out=known), 0, out=known)
    share = known.sum(axis=1) / heard
    return _peaks(share, least, 11, step * novelty.hop_seconds)


def candidates_of(novelty: Novelty, least: float) -> tuple[Candidate, ...]:
    """Return the local maxima (within 60 ms) of at least that novelty, in order of time."""
    return _peaks(novelty.share, least, 13, novelty.hop_seconds)


def _peaks(
    share: FloatArray, least: float, width: int, step_seconds: float
) -> tuple[Candidate, ...]:
    """Return the local maxima of at least that height; of a plateau, its start."""
    if not len(share):
        return ()
    peaks = np.flatnonzero((share >= least) & (share == maximum_filter1d(share, width)))
    return tuple(
        Candidate(seconds=float(peak) * step_seconds, strength=float(share[peak]))
        for peak in peaks
        if peak == 0 or share[peak - 1] < share[peak]
    )


def _new_share(amplitude: FloatArray) -> FloatArray:
    """Return the new share a hop; the hop before is skipped, as its window reaches into this."""
    past = maximum_filter1d(amplitude, _MEMORY_HOPS, axis=0, origin=_MEMORY_HOPS // 2)
    past = np.concatenate([past[:1], past[:1], past[:-2]])
    past = maximum_filter1d(past, 3, axis=1)
    new = np.maximum(amplitude - past, 0).sum(axis=1)
    return np.asarray(new / np.maximum(amplitude.sum(axis=1), np.sqrt(SILENCE_POWER)))


def _noise_power(bands: FloatArray) -> FloatArray:
    """Return the noise power of each band: its quietest 100 ms that are not digital silence."""
    quietest = np.full(bands.shape[1], np.inf, np.float32)
    for start in range(0, len(bands), _CHUNK_HOPS):
        power = 10 ** (bands[start : start + _CHUNK_HOPS].astype(np.float32) / 10)
        smooth = uniform_filter1d(power, _NOISE_WINDOW_HOPS, axis=0)
        smooth = smooth[
            minimum_filter1d(power.max(axis=1), _NOISE_WINDOW_HOPS) > SILENCE_POWER * _BAND_SHARE
        ]
        if len(smooth):
            quietest = np.minimum(quietest, smooth.min(axis=0))
    return np.maximum(np.where(np.isfinite(quietest), quietest, 0), SILENCE_POWER * _BAND_SHARE)


def _noise_margin(bands: int, course: TakeCourse, hops: int = 1) -> FloatArray:
    """Return how far above its mean noise reaches by chance (chi-square, Wilson-Hilferty)."""
    freedom = 1.4 * max(1.0, 0.75 * hops) * band_bins(course.rate_hz)[:bands]
    spread = 2 / (9 * freedom)
    return np.asarray((1 - spread + _NOISE_QUANTILE * np.sqrt(spread)) ** 3, np.float32)
