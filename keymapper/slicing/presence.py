"""Whether something new sounds after a moment: the test that a planned note was played."""

from __future__ import annotations

import numpy as np

from keymapper.slicing.course import FloatArray, TakeCourse, band_bins
from keymapper.slicing.novelty import Novelty

PRESENT_SHARE = 0.12
"""Notes played lie above 0.2, rests and ringing tails below 0.1."""
_BEFORE_SECONDS = (0.12, 0.02)
_AFTER_SECONDS = 0.03
_SHORT_SECONDS = 0.12
_NOISE_MARGIN = 4.0


def new_share(
    course: TakeCourse, novelty: Novelty, onset_seconds: float, off_seconds: float
) -> float:
    """Return the share of the sound after a moment that was not there before it, 0..1.

    Amplitudes of the bands, averaged over 0.12 s and over the whole hold (the larger share
    counts), against their highest in the tenth of a second before; averaging over a hold finds a
    steady note even below the level of the noise.
    """
    hop = novelty.hop_seconds
    first = max(0, round((onset_seconds - _BEFORE_SECONDS[0]) / hop))
    end = max(first + 1, round((onset_seconds - _BEFORE_SECONDS[1]) / hop))
    start = int(np.ceil((onset_seconds + _AFTER_SECONDS) / hop))
    if start + 1 >= len(course.bands_db):
        return 0.0
    before = _power(course, first, end).max(axis=0)
    bins = band_bins(course.rate_hz)[: course.bands_db.shape[1]]
    shares = []
    for stop in (start + round(_SHORT_SECONDS / hop), round(off_seconds / hop)):
        after = _power(course, start, max(start + 2, stop))
        margin = 1 + _NOISE_MARGIN * np.sqrt(2 / (bins * len(after)))
        least = np.sqrt(novelty.noise_power * margin)
        heard = np.maximum(np.sqrt(after.mean(axis=0)), least)
        known = np.maximum(np.sqrt(before), least)
        shares.append(float(np.maximum(heard - known, 0).sum() / heard.sum()))
    return max(shares)


def _power(course: TakeCourse, first: int, end: int) -> FloatArray:
    return np.asarray(10 ** (course.bands_db[first:end].astype(np.float32) / 10))
