"""Where a note sustains, and whether it may be looped at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.measuring.blocks import BLOCK_SECONDS, block_frames, block_levels_db
from keymapper.measuring.loops.release import release_block

ATTACK_SECONDS = 0.05
SHORTEST_SUSTAIN_SECONDS = 0.12
#: A key held for less does not tell a bell from a pad.
TELLING_HOLD_SECONDS = 1.0
STILL_DB = 1.0
DECAY_DB_A_SECOND = 2.25
SURE_FALL_DB, SURE_DB_A_SECOND = 8.0, 4.0
#: Bands this much under the strongest say nothing.
HEARD_BANDS_DB = 40.0
BEGUN_FALL_DB, PLAIN_FALL_DB = 4.0, 12.0
#: A fall that would have begun before this share of what is held is no release.
MOST_FALL_SHARE = 0.15
#: Nothing under this peak is worth looping.
SILENT_PEAK_DBFS = -80.0
SILENCE_BELOW_PEAK_DB, SILENCE_SECONDS = 50.0, 0.4


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

    It ends where a long release is seen to begin, at the latest where the sound falls for good from
    the median of its second half, or to 40 dB below its peak.

    samples : float, shape (frames, channels), full scale 1.0; may be empty.
    note_off_frame : where the key was let go, as far as it is known: the sustain ends no later, and
        what stands still while it is held sustains, however it dies away after that.
    """
    levels = block_levels_db(samples, rate)
    block = block_frames(rate)
    if len(levels) == 0 or levels.max() < SILENT_PEAK_DBFS:
        return SustainRegion(onset_frame=0, start_frame=0, end_frame=0, refusal="it is silent")
    peak = float(levels.max())
    onset = int(np.argmax(levels > peak - 20))
    end = _sustain_end_frame(levels, onset, block, len(samples))
    held = levels[onset : max(onset + 1, end // block)]
    refusal = _refusal(held, float(levels[onset:].max()))
    refusal = refusal or _decay(held, samples[onset * block : end], rate)
    if note_off_frame is not None:
        end = min(end, max(0, note_off_frame - block))
        refusal = None if _stands_still(levels[onset : end // block]) else refusal
    start = _sustain_start_frame(levels, onset, end, block)
    if refusal is None and (end - start) / rate < SHORTEST_SUSTAIN_SECONDS:
        refusal = "its sustain is too short"
    return SustainRegion(
        onset_frame=onset * block, start_frame=start, end_frame=end, refusal=refusal
    )


def _sustain_end_frame(levels: np.ndarray, onset: int, block: int, frames: int) -> int:
    levels = levels[: _silence_block(levels, onset)]
    sounding = np.flatnonzero(levels > levels.max() - 40)[-1] + 1
    last = _before_fall(levels, onset, sounding)
    released = release_block(levels[onset:sounding])
    if released is not None:
        last = min(last, onset + released)
    return frames if last == frames // block else last * block


def _before_fall(levels: np.ndarray, onset: int, sounding: int) -> int:
    """Return the block at which the last fall out of the held level begins.

    That level is the median of the second half of what sounds. The fall begins where a straight
    line through its first 4 and 12 dB meets it, as a release falls by so many dB a second;
    ``sounding`` where nothing falls so far.
    """
    held_db = float(np.median(levels[(onset + sounding) // 2 : sounding]))
    begun = int(np.flatnonzero(levels[:sounding] >= held_db - BEGUN_FALL_DB)[-1]) + 1
    fallen = int(np.flatnonzero(levels >= held_db - PLAIN_FALL_DB)[-1]) + 1
    if begun == sounding or fallen == len(levels):
        return begun
    before = (fallen - begun) * BEGUN_FALL_DB / (PLAIN_FALL_DB - BEGUN_FALL_DB)
    return begun - min(round(before) + 1, round(MOST_FALL_SHARE * (begun - onset)))


def _silence_block(levels: np.ndarray, onset: int) -> int:
    """Return the first block of a silence too long for a gate: what follows is another note."""
    silent = levels[onset:] < levels.max() - SILENCE_BELOW_PEAK_DB
    edges = np.flatnonzero(np.diff(np.concatenate([[False], silent, [False]]).astype(int)))
    for first, end in edges.reshape(-1, 2):
        if end - first >= SILENCE_SECONDS / BLOCK_SECONDS:
            return onset + int(first)
    return len(levels)


def _sustain_start_frame(levels: np.ndarray, onset: int, end: int, block: int) -> int:
    """Frame at which the attack has settled; never later than half of the sound."""
    last = max(onset + 1, end // block)
    median = float(np.median(levels[onset:last]))
    reached = onset + int(np.argmax(levels[onset:last] >= median - 2))
    settled = max(onset + round(ATTACK_SECONDS / BLOCK_SECONDS), reached + 3)
    return int(min(settled, (onset + last) // 2)) * block


def _refusal(levels: np.ndarray, peak_db: float) -> str | None:
    """Why a sustain of these levels must not loop, whatever becomes of it; None when it may."""
    last = float(np.percentile(_sixths(levels)[-1], 80))
    if peak_db - last > 45:
        return "it has died away before the key is released"
    if peak_db - last > 30:
        return f"it decays by {peak_db - last:.0f} dB"
    return None


def _stands_still(levels: np.ndarray) -> bool:
    """Say whether a held key's sound keeps the level it has risen to, so far as the hold tells."""
    if len(levels) < TELLING_HOLD_SECONDS / BLOCK_SECONDS:
        return False
    parts = np.array([np.percentile(part, 80) for part in _sixths(levels)])
    loudest = int(np.argmax(parts))
    seconds = (len(parts) - 1 - loudest) / len(parts) * len(levels) * BLOCK_SECONDS
    return float(parts[loudest] - parts[-1]) <= max(STILL_DB, DECAY_DB_A_SECOND * seconds)


def _decay(levels: np.ndarray, sounding: np.ndarray, rate: int) -> str | None:
    """How fast a sustain dies away all along; None when it does not.

    A part counts with a high percentile so that a gate is not taken for a decay; and most bands
    must fall, so that a slow beat of the strongest partial is not. Where they fall fast and far,
    the whole need not fall evenly: bells beat.

    sounding : its frames, shape (frames, channels).
    """
    parts = np.array([np.percentile(part, 80) for part in _sixths(levels)])
    fall = parts[0] - parts[-1]
    a_second = fall / (len(_settled(levels)) * BLOCK_SECONDS)
    if fall <= 6 or a_second <= DECAY_DB_A_SECOND:
        return None
    bands_a_second = _bands_fall_db_a_second(sounding, rate)
    evenly = bool(np.all(np.diff(parts) < 0.6)) and _is_smooth(_settled(levels), fall)
    surely = fall > SURE_FALL_DB and bands_a_second > SURE_DB_A_SECOND
    if not surely and (not evenly or bands_a_second <= DECAY_DB_A_SECOND):
        return None
    return f"it decays by {fall:.0f} dB, {a_second:.0f} dB a second"


def _settled(levels: np.ndarray) -> np.ndarray:
    return levels[min(8, len(levels) // 3) :]


def _sixths(levels: np.ndarray) -> list[np.ndarray]:
    return [part for part in np.array_split(_settled(levels), 6) if len(part)]


def _is_smooth(levels: np.ndarray, fall_db: float) -> bool:
    """Whether levels follow one bend, as a decay does, and not a chain of swells."""
    parts = np.array([np.median(part) for part in np.array_split(levels, 12) if len(part)])
    if len(parts) <= 3:  # too short to tell: three points lie on one bend
        return True
    place = np.arange(len(parts))
    rest = parts - np.polyval(np.polyfit(place, parts, 2), place)
    return float(np.std(rest)) < 0.1 * fall_db


def _bands_fall_db_a_second(sounding: np.ndarray, rate: int) -> float:
    """Return how fast the third octaves that are heard fall, in the middle of them all.

    From the first to the last sixth of a note.
    """
    sixth = len(sounding) // 6
    first, last = (
        (np.abs(fft.rfft(part * np.hanning(sixth)[:, None], axis=0)) ** 2).sum(axis=1)
        for part in (sounding[:sixth], sounding[len(sounding) - sixth :])
    )
    edges = 2 ** np.arange(0, np.log2(len(first)), 1 / 3)
    bins = np.unique(edges.astype(int))
    before, after = (np.add.reduceat(powers, bins) + 1e-20 for powers in (first, last))
    heard = before > before.max() * 10 ** (-HEARD_BANDS_DB / 10)
    falls = 10 * np.log10(before[heard] / after[heard])
    seconds = (len(sounding) - sixth) / rate
    return float(np.median(falls)) / seconds
