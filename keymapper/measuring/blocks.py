"""The energy of a sound block by block; in blocks of 10 ms its sustain is sought and judged."""

from __future__ import annotations

import numpy as np

from keymapper.model.sound import SILENCE_DBFS

BLOCK_SECONDS = 0.010


def block_frames(rate: int) -> int:
    """Return the frames of a block, at least 1."""
    return max(1, round(BLOCK_SECONDS * rate))


def block_energies(samples: np.ndarray, block: int) -> np.ndarray:
    """Return the sum of squares, over all channels, of every whole block of so many frames.

    samples : float, shape (frames, channels).
    """
    blocks = len(samples) // block
    flat = np.ascontiguousarray(samples[: blocks * block]).reshape(blocks, block * samples.shape[1])
    return np.asarray(np.einsum("ij,ij->i", flat, flat))


def block_levels_db(samples: np.ndarray, rate: int) -> np.ndarray:
    """Return the level of every 10 ms in dBFS, smoothed over 50 ms; -200 for silence.

    samples : float, shape (frames, channels), full scale 1.0.
    """
    block = block_frames(rate)
    energies = block_energies(np.asarray(samples, dtype=np.float32), block)
    if len(energies) == 0:
        return np.zeros(0)
    power = energies.astype(float) / (block * samples.shape[1])
    smooth = np.convolve(np.pad(power, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    return 10 * np.log10(np.maximum(smooth, 10 ** (SILENCE_DBFS / 10)))
