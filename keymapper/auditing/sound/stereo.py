"""What is lost when both sides are added."""

from __future__ import annotations

import math

import numpy as np

from keymapper.channels import mono

LARGEST_LOSS_DB = 120.0


def mono_loss_db(samples: np.ndarray) -> float:
    """Return how much softer the mean of both sides is than the sides, in dB.

    0 for equal sides and for mono, 3 for sides that have nothing in common, up to 120 where they
    cancel; silence gives 0.

    samples : float, shape (frames, channels), free of DC.
    """
    if samples.shape[1] == 1:
        return 0.0
    sides = float(np.einsum("ij,ij->", samples, samples, dtype=np.float64)) / 2
    middle = mono(samples)
    power = float(np.dot(middle, middle))
    if sides <= 0:
        return 0.0
    return min(LARGEST_LOSS_DB, max(0.0, -10 * math.log10(max(power / sides, 1e-12))))
