"""Gains of zones kept within what players take, and played notes within the peak asked for."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from keymapper.mapping.dynamics import gain_between_db
from keymapper.mapping.fade_curves import fade_share
from keymapper.mapping.set_notes import PlacedNote, by_area
from keymapper.model.sound import SILENCE_DBFS

MOST_VOLUME_DB = 6.0
"""Most that an SFZ region may be turned up by in every player."""

PeakOfSample = tuple[PlacedNote, float]
"""A placed note and the peak of its sample, in dBFS."""


def highest_gain_db(placed: PlacedNote) -> float:
    """Return the gain of a placed note at the velocity where it plays loudest: its volume."""
    points = [point.gain_db for part in by_area(placed) for point in part.velocity_gains]
    return placed.gain_db + max(points, default=0.0)


def played_peak_dbfs(layers: Sequence[Sequence[PeakOfSample]]) -> float:
    """Return the peak of the key and velocity that play loudest.

    Layers sound together, and so do velocity layers that fade into each other; their peaks are
    taken to meet. Nothing placed gives SILENCE_DBFS.
    """
    together = sum((_peaks(layer) for layer in layers), np.zeros((128, 128)))
    highest = float(together.max())
    return 20 * math.log10(highest) if highest > 0.0 else SILENCE_DBFS


def _peaks(layer: Sequence[PeakOfSample]) -> np.ndarray:
    """Return the amplitude of the highest peak for each key and velocity, shape (128, 128)."""
    sounding: dict[tuple[str, int], np.ndarray] = defaultdict(lambda: np.zeros((128, 128)))
    for placed, peak_dbfs in layer:
        turns = sounding[placed.place.trigger, placed.place.low_velocity]
        for part in by_area(placed):
            keys = slice(part.place.low_key, part.place.high_key + 1)
            peaks = 10 ** (peak_dbfs / 20) * _amplitudes(part)
            turns[keys] = np.maximum(turns[keys], peaks)
    together: dict[str, np.ndarray] = defaultdict(lambda: np.zeros((128, 128)))
    for (trigger, _), peaks in sounding.items():
        together[trigger] += peaks
    loudest: np.ndarray = np.maximum(together["attack"], together["release"])
    return loudest


def _amplitudes(part: PlacedNote) -> np.ndarray:
    """Return the amplitude ratio of a note with one area for each velocity, shape (128,)."""
    low, high = part.place.sounding_velocities
    fade = part.place.velocity_fade
    ratios = np.zeros(128)
    for velocity in range(low, high + 1):
        gain_db = gain_between_db(part.velocity_gains, velocity) if part.velocity_gains else 0.0
        ratios[velocity] = 10 ** ((part.gain_db + gain_db) / 20) * fade_share(fade, velocity)
    return ratios


def lowered(placed: PlacedNote, by_db: float) -> PlacedNote:
    """Return a placed note that plays softer; gain beyond the most volume goes into its sample."""
    baked_db = max(0.0, highest_gain_db(placed) - by_db - MOST_VOLUME_DB)
    return replace(
        placed,
        gain_db=placed.gain_db - by_db - baked_db,
        baked_gain_db=placed.baked_gain_db + baked_db,
    )
