"""When a note starts, has risen, is let go and has died away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.channels import frame_peaks
from keymapper.measuring.blocks import block_energies
from keymapper.model.sound import SILENCE_DBFS, Course

BLOCK_SECONDS = 0.005
ONSET_BELOW_PEAK_DB = 60.0
"""Before this nothing of the note can be heard, even of a pad that rises for seconds."""
END_BELOW_PEAK_DB = 72.0
ABOVE_FLOOR_DB = 6.0
QUIET_BLOCKS = 10
QUIET_BELOW_PEAK_DB = 30.0
SHORT_HEAD_BELOW_PEAK_DB = 40.0
RISING_DB = 4.0
_MIN_POWER = 10 ** (SILENCE_DBFS / 10)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Envelope:
    """Level over time in blocks of 5 ms, and the noise floor under it."""

    level_db: np.ndarray
    """Shape (blocks,), dB re full scale, power summed over channels' mean."""
    block_frames: int
    noise_floor_dbfs: float | None

    @property
    def peak_db(self) -> float:
        """Level of the loudest block."""
        return float(self.level_db.max())


def level_envelope(samples: np.ndarray, rate: int) -> Envelope:
    """Return the level of a note in blocks of 5 ms.

    samples : float, shape (frames, channels), at least one frame, free of DC.
    """
    block = max(1, round(BLOCK_SECONDS * rate))
    energies = block_energies(samples, block)
    frames = np.full(len(energies), block)
    rest = samples[len(energies) * block :]
    if len(rest):
        energies = np.append(energies, block_energies(rest, len(rest)))
        frames = np.append(frames, len(rest))
    power = energies / (frames * samples.shape[1])
    level = 10 * np.log10(np.maximum(power, _MIN_POWER))
    return Envelope(level_db=level, block_frames=block, noise_floor_dbfs=_noise_floor_dbfs(level))


def _noise_floor_dbfs(level_db: np.ndarray) -> float | None:
    """Level of the quietest 50 ms at the head or the tail, if it lies well under the note.

    Of a note cut closer, of what is left before it, where that lies deep and does not rise.
    """
    quiet = [level_db[:QUIET_BLOCKS], level_db[-QUIET_BLOCKS:]]
    loudest = float(level_db.max())
    floors = [_mean_db(part) for part in quiet if loudest - part.max() > QUIET_BELOW_PEAK_DB]
    for blocks in range(QUIET_BLOCKS - 1, 1, -1):
        head = level_db[:blocks]
        if loudest - head.max() > SHORT_HEAD_BELOW_PEAK_DB and not _rises(head):
            floors.append(_mean_db(head))
            break
    return min(floors) if floors else None


def _rises(level_db: np.ndarray) -> bool:
    """Tell whether the second half is louder than the first, as a note that sets in is."""
    half = len(level_db) // 2
    return _mean_db(level_db[-half:]) - _mean_db(level_db[:half]) > RISING_DB


def _mean_db(level_db: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(10 ** (level_db / 10))))


def _threshold_db(envelope: Envelope, below_peak_db: float) -> float:
    threshold = envelope.peak_db - below_peak_db
    if envelope.noise_floor_dbfs is not None:
        threshold = max(threshold, envelope.noise_floor_dbfs + ABOVE_FLOOR_DB)
    return min(threshold, envelope.peak_db - 12.0)


def onset_frame(samples: np.ndarray, envelope: Envelope) -> int:
    """Return the first audible frame: 60 dB under the peak, or the noise floor where higher.

    The block of 5 ms that first stays over the threshold is found by its power, the frame inside
    it and the block before by its magnitude.
    """
    threshold = _threshold_db(envelope, ONSET_BELOW_PEAK_DB)
    above = envelope.level_db > threshold
    stays = above & np.append(above[1:], True) if len(above) > 1 else above
    first = int(np.argmax(stays)) if stays.any() else int(np.argmax(envelope.level_db))
    begin = max(0, first - 1) * envelope.block_frames
    end = min(len(samples), (first + 1) * envelope.block_frames)
    magnitude = frame_peaks(samples[begin:end])
    noise_peak = 4.0 * 10 ** ((threshold - ABOVE_FLOOR_DB) / 20)
    audible = magnitude > max(noise_peak, 0.02 * float(magnitude.max()))
    return begin + int(np.argmax(audible)) if audible.any() else first * envelope.block_frames


def end_frame(samples: np.ndarray, envelope: Envelope) -> int:
    """Return one past the last audible frame: 72 dB under the peak, or the noise floor."""
    threshold = _threshold_db(envelope, END_BELOW_PEAK_DB)
    above = np.flatnonzero(envelope.level_db > threshold)
    last = int(above[-1]) if len(above) else len(envelope.level_db) - 1
    return min(len(samples), (last + 1) * envelope.block_frames)


def course(
    samples: np.ndarray, envelope: Envelope, note_off_frame: int | None, sustains: bool
) -> Course:
    """Return when the parts of a note happen.

    note_off_frame : end of the sustain as the loop stage found it (None where it decays).
    """
    onset = onset_frame(samples, envelope)
    end = max(end_frame(samples, envelope), onset + 1)
    off = end if note_off_frame is None else min(max(note_off_frame, onset + 1), end)
    block = envelope.block_frames
    body = envelope.level_db[onset // block : max(onset // block + 1, off // block)]
    smooth = _smoothed(body)
    held = float(np.median(smooth[len(smooth) // 2 :])) if sustains else float(smooth.max())
    risen = int(np.argmax(smooth >= min(held, float(smooth.max())) - 2.0))
    return Course(
        onset_frame=onset,
        attack_end_frame=min(onset + risen * block, off),
        note_off_frame=off,
        end_frame=end,
        sustains=sustains,
    )


def _smoothed(level_db: np.ndarray) -> np.ndarray:
    """Level over the last 20 ms."""
    power = np.concatenate([np.full(3, 10 ** (level_db[0] / 10)), 10 ** (level_db / 10)])
    return 10 * np.log10(np.convolve(power, np.full(4, 0.25), "valid"))
