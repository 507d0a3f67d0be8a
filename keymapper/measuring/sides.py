"""How the two sides of a note relate."""

from __future__ import annotations

import math

import numpy as np

from keymapper.measuring.levels import power_db
from keymapper.model.sound import Channels

DEAD_SIDE_DB = -60.0
"""A side this far below the other carries nothing but converter noise."""
INVERTED_CORRELATION = -0.98
MOST_BALANCE_DB = 120.0


def measured_channels(samples: np.ndarray) -> Channels:
    """Return how the sides of a note relate, from the covariance of the two.

    samples : float, shape (frames, 1 or 2), free of DC for a sound correlation.
    """
    if samples.shape[1] == 1:
        return Channels(
            count=1, dead="", equal=False, inverted=False, correlation=1.0, balance_db=0.0
        )
    left = np.ascontiguousarray(samples[:, 0])
    right = np.ascontiguousarray(samples[:, 1])
    left_power, right_power, cross = (
        float(np.dot(*pair)) / max(1, len(left))
        for pair in ((left, left), (right, right), (left, right))
    )
    correlation = cross / math.sqrt(left_power * right_power) if left_power and right_power else 0.0
    balance = power_db(right_power) - power_db(left_power)
    dead = "left" if balance > -DEAD_SIDE_DB else "right" if balance < DEAD_SIDE_DB else ""
    return Channels(
        count=2,
        dead=dead,
        equal=bool(np.array_equal(left, right)),
        inverted=correlation < INVERTED_CORRELATION and not dead,
        correlation=max(-1.0, min(1.0, correlation)),
        balance_db=max(-MOST_BALANCE_DB, min(MOST_BALANCE_DB, balance)),
    )
