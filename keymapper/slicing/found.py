"""What slicing one take gives, before notes get their names."""

from __future__ import annotations

from dataclasses import dataclass

from keymapper.model.session import CLIPPED
from keymapper.slicing.levels import Levels, power_to_db, ratio_to_db

PRE_ROLL_SECONDS = 0.01
"""Kept before the onset in the frames of a note."""
HELD_ON = "the next onset, or the end of the take, comes while it is held"
RINGS_ON = "still rings when the next note, or the end of the take, comes"
_LOUDEST_SECONDS = 0.05
_SOFT_DB = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundNote:
    """A note in the take; the frames [first_frame, end_frame) hold it with a short pre-roll."""

    plan_index: int | None
    onset_seconds: float
    end_seconds: float
    first_frame: int
    end_frame: int
    peak_dbfs: float
    signal_to_noise_db: float
    note_off_seconds: float | None = None
    """When the plan let the key go; None where no clock tells."""
    doubtful: tuple[str, ...] = ()
    doubles_plan_index: int | None = None
    after_plan_index: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SlicedTake:
    """All notes of one take, in order of time."""

    latency_seconds: float | None
    drift_ppm: float | None
    notes: tuple[FoundNote, ...]
    missing: tuple[int, ...]
    """Plan indexes that lie within the take and were not heard."""
    outside: tuple[int, ...]
    """Plan indexes that lie before or after the take."""
    onsets_found: int
    onsets_matched: int
    noise_floor_dbfs: float
    remarks: tuple[str, ...] = ()


def found_note(
    levels: Levels,
    onset_seconds: float,
    end_seconds: float,
    plan_index: int | None,
    doubts: tuple[str, ...] = (),
) -> FoundNote:
    """Return a note with its frames and levels measured."""
    rate, frames = levels.course.rate_hz, levels.course.frames
    first = min(max(0, round((onset_seconds - PRE_ROLL_SECONDS) * rate)), max(0, frames - 1))
    end = min(max(first + 1, round(end_seconds * rate)), frames)
    noise = levels.noise_before(onset_seconds)
    blocks = round(_LOUDEST_SECONDS / levels.course.block_seconds)
    smooth = levels.smooth_power(onset_seconds, max(end_seconds, onset_seconds + 0.06), blocks)
    loudest = float(smooth.max()) if len(smooth) else levels.mean_power(onset_seconds, end_seconds)
    snr_db = power_to_db(max(loudest - noise, 1e-3 * noise)) - power_to_db(noise)
    peak = levels.peak(onset_seconds, end_seconds)
    if snr_db < _SOFT_DB:
        doubts = (*doubts, f"soft: {snr_db:.0f} dB above the noise floor")
    if _is_clipped(levels, onset_seconds, end_seconds):
        doubts = (*doubts, CLIPPED)
    return FoundNote(
        plan_index=plan_index,
        onset_seconds=onset_seconds,
        end_seconds=end / rate,
        first_frame=first,
        end_frame=end,
        peak_dbfs=ratio_to_db(peak),
        signal_to_noise_db=snr_db,
        doubtful=doubts,
    )


def _is_clipped(levels: Levels, start_seconds: float, end_seconds: float) -> bool:
    full = levels.course.full_scale_blocks
    first, end = levels.block(start_seconds), levels.block(end_seconds)
    return bool(((full >= first) & (full < end)).any())
