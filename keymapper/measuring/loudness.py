"""How loud a whole sound is: ITU-R BS.1770-4 with the gates and windows of EBU Tech 3341/3342."""

from __future__ import annotations

import math

import numpy as np

from keymapper.channels import frame_peaks
from keymapper.measuring.blocks import block_energies
from keymapper.measuring.k_weighting import LOUDNESS_OFFSET_DB, k_weighting_sections
from keymapper.measuring.levels import amplitude_db, peak_dbfs, power_db
from keymapper.model.loudness import Loudness
from keymapper.model.sound import SILENCE_DBFS

_HOP_SECONDS = 0.1
_HOPS_A_BLOCK = 50
_MOMENTARY_HOPS, _SHORT_TERM_HOPS = 4, 30
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU, _RANGE_GATE_LU = -10.0, -20.0
_OVERSAMPLING = 4
_BLOCK_FRAMES = 4096
_OVERLAP_FRAMES = 32


def measured_loudness(samples: np.ndarray, rate: int) -> Loudness:
    """Return the loudness of a sound.

    A mono sound counts as one channel, 3 dB less than the same in both. A sound shorter than a
    window has no figure for it.

    samples : float, shape (frames, 1 or 2), full scale 1.0.
    """
    hops = _hop_powers(samples, rate)
    momentary = _windowed_lufs(hops, _MOMENTARY_HOPS)
    short_term = _windowed_lufs(hops, _SHORT_TERM_HOPS)
    return Loudness(
        integrated_lufs=_gated_lufs(momentary, _RELATIVE_GATE_LU),
        range_lu=_range_lu(short_term),
        true_peak_dbtp=true_peak_dbtp(samples),
        momentary_lufs=_highest(momentary),
        short_term_lufs=_highest(short_term),
    )


def integrated_lufs(samples: np.ndarray, rate: int) -> float | None:
    """Return the gated loudness of a sound; None for silence or less than 400 ms."""
    momentary = _windowed_lufs(_hop_powers(samples, rate), _MOMENTARY_HOPS)
    return _gated_lufs(momentary, _RELATIVE_GATE_LU)


def true_peak_dbtp(samples: np.ndarray) -> float:
    """Return the highest value between the samples too, in dB re full scale.

    Fourfold oversampling (BS.1770-4 annex 2) wherever the samples themselves come within 6 dB of
    their peak; elsewhere no wave that a converter could have recorded rises above it.
    """
    peak = peak_dbfs(samples)
    if not samples.size or peak <= SILENCE_DBFS:
        return peak
    loud = 10 ** (peak / 20) / 2
    return amplitude_db(float(oversampled_peaks(samples, loud).max()))


def oversampled_peaks(samples: np.ndarray, least: float) -> np.ndarray:
    """Return the highest magnitude around each frame, over channels and between samples.

    least : where no sample of a stretch of 4096 frames is as high, it is not looked between.
    """
    from scipy.signal import resample_poly

    peaks = frame_peaks(samples)
    for first in range(0, len(samples), _BLOCK_FRAMES):
        last = min(len(samples), first + _BLOCK_FRAMES)
        begin, end = max(0, first - _OVERLAP_FRAMES), min(len(samples), last + _OVERLAP_FRAMES)
        if peaks[begin:end].max() >= least:
            finer = frame_peaks(resample_poly(samples[begin:end], _OVERSAMPLING, 1, axis=0))
            inner = finer[_OVERSAMPLING * (first - begin) : _OVERSAMPLING * (last - begin)]
            peaks[first:last] = inner.reshape(-1, _OVERSAMPLING).max(axis=1)
    return peaks


def _hop_powers(samples: np.ndarray, rate: int) -> np.ndarray:
    """Return the K-weighted power of every whole 100 ms, summed over the channels."""
    from scipy.signal import sosfilt

    hop = round(_HOP_SECONDS * rate)
    sections = k_weighting_sections(rate)
    state = np.zeros((len(sections), 2, samples.shape[1]))
    powers = [np.zeros(0)]
    block = _HOPS_A_BLOCK * hop
    for first in range(0, len(samples) // hop * hop, block):
        some = samples[first : min(first + block, len(samples) // hop * hop)]
        weighted, state = sosfilt(sections, some, axis=0, zi=state)
        powers.append(block_energies(weighted, hop) / hop)
    return np.concatenate(powers)


def _windowed_lufs(hops: np.ndarray, length: int) -> np.ndarray:
    """Return the loudness of every window of some hops, in LUFS."""
    if len(hops) < length:
        return np.zeros(0)
    powers = np.convolve(hops, np.ones(length) / length, "valid")
    lufs: np.ndarray = LOUDNESS_OFFSET_DB + 10 * np.log10(np.maximum(powers, 1e-20))
    return lufs


def _gated(lufs: np.ndarray, relative_gate: float) -> np.ndarray:
    above = lufs[lufs > _ABSOLUTE_GATE_LUFS]
    if not len(above):
        return above
    return above[above > _mean_lufs(above) + relative_gate]


def _mean_lufs(lufs: np.ndarray) -> float:
    return power_db(float(np.mean(10 ** (lufs / 10))))


def _gated_lufs(lufs: np.ndarray, relative_gate: float) -> float | None:
    kept = _gated(lufs, relative_gate)
    return _mean_lufs(kept) if len(kept) else None


def _range_lu(short_term: np.ndarray) -> float | None:
    """Return from the 10th to the 95th percentile of the gated short-term loudness."""
    kept = _gated(short_term, _RANGE_GATE_LU)
    if not len(kept):
        return None
    low, high = np.percentile(kept, (10, 95))
    return float(high - low)


def _highest(lufs: np.ndarray) -> float | None:
    highest = float(lufs.max(initial=-math.inf))
    return highest if highest > _ABSOLUTE_GATE_LUFS else None
