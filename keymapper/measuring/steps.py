"""How coarse the numbers of a file are."""

from __future__ import annotations

import numpy as np

_FINEST_BITS, _COARSEST_BITS = 23, 7
_LOOK_FRAMES = 8192
"""Looked at at a time: of 24 bits the first thousands tell that all are used."""


def step_of(samples: np.ndarray) -> float:
    """Return the coarsest step that all samples are multiples of: 2^-7 (8 bit) to 2^-23 (24 bit).

    What a file holds tells, not its format: 8 bits in a file of 24 stay 8 bits.

    samples : float, any shape, full scale 1.0, as stored.
    """
    used = 0
    for first in range(0, len(samples), _LOOK_FRAMES):
        codes = np.rint(samples[first : first + _LOOK_FRAMES] * 2.0**_FINEST_BITS).astype(np.int64)
        used |= int(np.bitwise_or.reduce(codes, axis=None))
        if used & 1:
            break
    lowest = used & -used
    coarsest = 2 ** (_FINEST_BITS - _COARSEST_BITS)
    return float(min(lowest or coarsest, coarsest) * 2.0**-_FINEST_BITS)
