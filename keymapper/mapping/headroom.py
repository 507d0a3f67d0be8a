"""Gains of zones kept within what players take, and played notes within the peak asked for."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from keymapper.mapping.filling import by_area
from keymapper.mapping.set_notes import PlacedNote
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
    """Return the peak of the key that plays loudest, at its loudest velocity.

    Layers sound together; their peaks are taken to meet. Nothing placed gives SILENCE_DBFS.
    """
    together: dict[int, float] = defaultdict(float)
    for layer in layers:
        loudest: dict[int, float] = defaultdict(float)
        for placed, peak_dbfs in layer:
            amplitude = 10 ** ((peak_dbfs + highest_gain_db(placed)) / 20)
            for key in range(placed.place.low_key, placed.place.high_key + 1):
                loudest[key] = max(loudest[key], amplitude)
        for key, amplitude in loudest.items():
            together[key] += amplitude
    return 20 * math.log10(max(together.values())) if together else SILENCE_DBFS


def lowered(placed: PlacedNote, by_db: float) -> PlacedNote:
    """Return a placed note that plays softer; gain beyond the most volume goes into its sample."""
    baked_db = max(0.0, highest_gain_db(placed) - by_db - MOST_VOLUME_DB)
    return replace(
        placed,
        gain_db=placed.gain_db - by_db - baked_db,
        baked_gain_db=placed.baked_gain_db + baked_db,
    )
