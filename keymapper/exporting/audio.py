"""What happens to the audio of a note between recording and sample: pure functions on arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.channels import channel_means, less_means
from keymapper.measuring.centring import offsets
from keymapper.model.instrument import KeptChannel, Measurement

PRE_ROLL_SECONDS = 0.001
"""Kept before the onset, and faded in."""
FADE_OUT_SECONDS = 0.05
STRUCK_BELOW_PEAK_DB = 20.0
"""A first millisecond less far below the peak is the stroke itself."""
SILENT_BELOW_PEAK_DB = 60.0
"""A first frame farther below the peak is silence."""
OWN_MEAN_DBFS = -50.0
"""Above that the mean of a note that rests at 0 is taken away …"""
OWN_MEAN_HIGH_PASS_HZ = 5.0
"""… by a high-pass, so that it goes without a step."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Preparation:
    """How a recording is cut out before its loop is found, in frames of the source."""

    channel: KeptChannel
    start_frame: int
    end_frame: int
    rate: int
    """Rate of the result."""
    baked_cents: float = 0.0
    """By how much resampling lowers the sound."""

    def scale(self, source_rate: int) -> float:
        """Return frames of the result for each frame of the source."""
        return float(self.rate / source_rate * 2.0 ** (self.baked_cents / 1200))


def preparation(
    measurement: Measurement, source_rate: int, rate: int | None, baked_cents: float
) -> Preparation:
    """Return how to cut a note: a millisecond before its onset to its end, equal sides as one."""
    course, channels = measurement.course, measurement.channels
    kept: KeptChannel = "all"
    if channels.equal or channels.dead == "right":
        kept = "left"
    elif channels.dead == "left":
        kept = "right"
    return Preparation(
        channel=kept,
        start_frame=max(0, course.onset_frame - _pre_roll_frames(source_rate)),
        end_frame=course.end_frame,
        rate=rate or source_rate,
        baked_cents=baked_cents,
    )


def _pre_roll_frames(rate: int) -> int:
    """Return the frames kept before the onset: about a millisecond."""
    return max(1, round(PRE_ROLL_SECONDS * rate))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PreparedNote:
    """A note cut out, and what was done to it."""

    samples: np.ndarray
    dc_removed: tuple[float, ...]
    """Of each channel: what it rests at."""
    high_pass_hz: float | None
    """Where a mean of its wave was taken away; None where it has none."""
    fade_in_frames: int
    """Of the recording."""


def prepared(samples: np.ndarray, rate: int, how: Preparation) -> np.ndarray:
    """Return a note cut out, free of DC, with a faded head, at the rate asked for.

    A recording that begins in silence, or with the stroke itself, keeps its head.

    samples : float, shape (frames, channels), the whole recording.
    """
    return prepared_note(samples, rate, how).samples


def prepared_note(samples: np.ndarray, rate: int, how: Preparation) -> PreparedNote:
    """Return what `prepared` does, and what that was."""
    sides = _kept_channels(samples, how.channel)
    rest = offsets(sides, rate)
    note = less_means(sides, rest)
    has_mean = _has_own_mean(note)
    if has_mean:
        note = _without_own_mean(note, rate)
    note = note[how.start_frame : how.end_frame]
    fade = _head_fade_frames(note, rate, how.start_frame)
    note[:fade] *= _rise(fade, note.dtype)
    scale = how.scale(rate)
    return PreparedNote(
        samples=note if scale == 1.0 else _resampled(note, scale),
        dc_removed=tuple(float(offset) for offset in rest),
        high_pass_hz=OWN_MEAN_HIGH_PASS_HZ if has_mean else None,
        fade_in_frames=fade,
    )


def _kept_channels(samples: np.ndarray, channel: KeptChannel) -> np.ndarray:
    """Return all channels, one of them, or their mean; shape (frames, channels)."""
    if channel == "all":
        return samples
    if channel == "folded":
        count = samples.shape[1]
        mean: np.ndarray = samples @ np.full((count, 1), 1 / count, samples.dtype)
        return mean
    return samples[:, :1] if channel == "left" else samples[:, 1:2]


def _has_own_mean(note: np.ndarray) -> bool:
    return bool(np.abs(channel_means(note)).max() > 10 ** (OWN_MEAN_DBFS / 20))


def _without_own_mean(samples: np.ndarray, rate: int) -> np.ndarray:
    """Return samples through a high-pass of first order at 5 Hz, as an output with a capacitor has.

    A wave that rests at 0 and has a mean of its own would lose it in a step if that were taken off.
    """
    from scipy.signal import lfilter

    pole = 1.0 - 2.0 * np.pi * OWN_MEAN_HIGH_PASS_HZ / rate
    passed = lfilter([1.0, -1.0], [1.0, -pole], samples, axis=0)
    return np.asarray(passed, dtype=samples.dtype)


def _head_fade_frames(note: np.ndarray, rate: int, start_frame: int) -> int:
    is_faded = start_frame > 0 or _begins_amid_noise(note, rate)
    return min(len(note), _pre_roll_frames(rate)) if is_faded else 0


def _begins_amid_noise(note: np.ndarray, rate: int) -> bool:
    """Tell whether the first millisecond is what a slow attack rises from, and no silence."""
    peak = np.abs(note).max(initial=0.0)
    head = np.abs(note[: _pre_roll_frames(rate)]).max(initial=0.0)
    step = np.abs(note[:1]).max(initial=0.0)
    is_struck = head > peak * 10 ** (-STRUCK_BELOW_PEAK_DB / 20)
    return bool(step > peak * 10 ** (-SILENT_BELOW_PEAK_DB / 20) and not is_struck)


def _rise(frames: int, dtype: np.dtype[np.floating]) -> np.ndarray:
    """Return a raised cosine from 0 to 1, shape (frames, 1)."""
    phase = (np.arange(frames) + 0.5) / max(1, frames)
    rise: np.ndarray = (0.5 - 0.5 * np.cos(np.pi * phase)).astype(dtype)[:, np.newaxis]
    return rise


def _resampled(samples: np.ndarray, scale: float) -> np.ndarray:
    """Return `scale` times as many frames (soxr, best quality: linear phase, alias under -140 dB).

    Played at the old rate, the result sounds lower by 1200 log2(scale) cents.
    """
    import soxr

    result: np.ndarray = soxr.resample(samples, 1.0, scale, quality="VHQ")
    return result


def faded_out(samples: np.ndarray, rate: int) -> np.ndarray:
    """Return samples whose last 50 ms (a quarter of a shorter sound) fall to silence."""
    fade = fade_out_frames(len(samples), rate)
    result = samples.copy()
    result[len(samples) - fade :] *= _rise(fade, samples.dtype)[::-1]
    return result


def fade_out_frames(frames: int, rate: int) -> int:
    """Return how many frames the fade at the tail takes."""
    return min(frames // 4, round(FADE_OUT_SECONDS * rate))
