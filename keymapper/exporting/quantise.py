"""From floats to integers: rounding and dither of our own, since libsndfile rounds down."""

from __future__ import annotations

import numpy as np

DITHER_SEED = 0x6B65796D
"""Any fixed number: the same audio always gets the same dither."""


def quantised(samples: np.ndarray, bits: int, *, dither: bool) -> np.ndarray:
    """Return samples as integers of 16 or 24 bits, shape (frames, channels), dtype int32.

    Rounds half to even; dither is triangular over two steps (TPDF), which makes error mean and
    variance independent of the signal (Lipshitz, Wannamaker & Vanderkooy 1992).

    samples : float, full scale 1.0; what lies beyond is clipped.
    """
    scaled = samples * float(2 ** (bits - 1))
    if dither:
        random = np.random.Generator(np.random.PCG64(DITHER_SEED))
        scaled = scaled + random.random(samples.shape) - random.random(samples.shape)
    limit = 2 ** (bits - 1)
    return np.clip(np.rint(scaled), -limit, limit - 1).astype(np.int32)


def dequantised(pcm: np.ndarray, bits: int) -> np.ndarray:
    """Return integers as floats of full scale 1.0."""
    return pcm / float(2 ** (bits - 1))
