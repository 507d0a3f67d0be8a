"""The natural sustain a join is judged against."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.blocks import block_frames, block_levels_db

ONSET_BELOW_PEAK_DB = 20.0
ATTACK_SECONDS = 0.060
REACH_SECONDS = 1.5
LONGEST_SECONDS = 5.0
FADED_DB = 6.0


def natural_range(reference: np.ndarray, rate: int, start: int, end: int) -> tuple[int, int]:
    """Return the half-open frame range of the sustain around a loop, at most 5 s.

    From 60 ms after the onset or 1.5 s before the loop, whichever is later, to the last frame
    within 6 dB of the loop's median level, at most 1.5 s after its end.

    reference : float, shape (frames, channels).
    """
    block, level = block_frames(rate), block_levels_db(reference, rate)
    count = len(level)
    if count == 0:
        return 0, len(reference)
    onset = int(np.argmax(level > level.max() - ONSET_BELOW_PEAK_DB)) * block
    reach = round(REACH_SECONDS * rate)
    first = max(onset + round(ATTACK_SECONDS * rate), start - reach)
    first = min(first, max(0, end - 2 * block))
    inside = level[min(start // block, count - 1) : max(start // block + 1, end // block)]
    sounding = np.flatnonzero(level >= np.median(inside) - FADED_DB)
    last = (int(sounding[-1]) + 1) * block if len(sounding) else end
    if last >= count * block:
        last = len(reference)
    last = min(max(last, end), end + reach, len(reference), first + round(LONGEST_SECONDS * rate))
    return first, max(last, first + 1)
