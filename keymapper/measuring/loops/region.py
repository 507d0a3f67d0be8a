"""Where a note sustains, and whether it may be looped at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.blocks import BLOCK_SECONDS, block_frames, block_levels_db

ATTACK_SECONDS = 0.05
SHORTEST_SUSTAIN_SECONDS = 0.12
#: Nothing under this peak is worth looping.
SILENT_PEAK_DBFS = -80.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SustainRegion:
    """The frames a loop may come from, and why there may be none (``refusal``)."""

    onset_frame: int
    start_frame: int
    end_frame: int
    refusal: str | None

    def seconds(self, rate: int) -> float:
        """Length of the sustain in seconds."""
        return max(0, self.end_frame - self.start_frame) / rate


def find_region(samples: np.ndarray, rate: int, note_off_frame: int | None) -> SustainRegion:
    """Return the sustain of a note, from its settled attack to its note-off.

    Without a note-off the sustain ends at the last 10 ms that are neither 4 dB below the median
    of the sound's second half nor 40 dB below its peak.

    samples : float, shape (frames, channels), full scale 1.0; may be empty.
    """
    levels = block_levels_db(samples, rate)
    block = block_frames(rate)
    if len(levels) == 0 or levels.max() < SILENT_PEAK_DBFS:
        return SustainRegion(onset_frame=0, start_frame=0, end_frame=0, refusal="it is silent")
    peak = float(levels.max())
    onset = int(np.argmax(levels > peak - 20))
    end = _sustain_end_frame(levels, onset, note_off_frame, block, len(samples))
    refusal = _refusal(levels[onset : max(onset + 1, end // block)], float(levels[onset:].max()))
    start = _sustain_start_frame(levels, onset, end, block)
    if refusal is None and (end - start) / rate < SHORTEST_SUSTAIN_SECONDS:
        refusal = "its sustain is too short"
    return SustainRegion(
        onset_frame=onset * block, start_frame=start, end_frame=end, refusal=refusal
    )


def _sustain_end_frame(
    levels: np.ndarray, onset: int, note_off_frame: int | None, block: int, frames: int
) -> int:
    if note_off_frame is not None:
        return int(min(frames, max(0, note_off_frame - block)))
    sounding = np.flatnonzero(levels > levels.max() - 40)[-1] + 1
    middle = float(np.median(levels[(onset + sounding) // 2 : sounding]))
    last = int(np.flatnonzero(levels[:sounding] >= middle - 4)[-1]) + 1
    return frames if last == len(levels) else last * block


def _sustain_start_frame(levels: np.ndarray, onset: int, end: int, block: int) -> int:
    """Frame at which the attack has settled; never later than half of the sound."""
    last = max(onset + 1, end // block)
    median = float(np.median(levels[onset:last]))
    reached = onset + int(np.argmax(levels[onset:last] >= median - 2))
    settled = max(onset + round(ATTACK_SECONDS / BLOCK_SECONDS), reached + 3)
    return int(min(settled, (onset + last) // 2)) * block


def _refusal(levels: np.ndarray, peak_db: float) -> str | None:
    """Why a sustain of these levels must not loop; None when it may.

    Six equal parts; a part counts with a high percentile so that a gate is not taken for a decay.
    """
    held = levels[min(8, len(levels) // 3) :]
    parts = [np.percentile(part, 80) for part in np.array_split(held, 6) if len(part)]
    fall = parts[0] - parts[-1]
    seconds = len(held) * BLOCK_SECONDS
    if peak_db - parts[-1] > 45:
        return "it has died away before the key is released"
    if peak_db - parts[-1] > 30:
        return f"it decays by {peak_db - parts[-1]:.0f} dB"
    falls_all_along = bool(np.all(np.diff(parts) < 0.6)) and _is_smooth(held, fall)
    if fall > 6 and falls_all_along and fall / seconds > 2.25:
        return f"it decays by {fall:.0f} dB, {fall / seconds:.0f} dB a second"
    return None


def _is_smooth(levels: np.ndarray, fall_db: float) -> bool:
    """Whether levels follow one bend, as a decay does, and not a chain of swells."""
    parts = np.array([np.median(part) for part in np.array_split(levels, 12) if len(part)])
    if len(parts) <= 3:  # too short to tell: three points lie on one bend
        return True
    place = np.arange(len(parts))
    rest = parts - np.polyval(np.polyfit(place, parts, 2), place)
    return float(np.std(rest)) < 0.1 * fall_db
