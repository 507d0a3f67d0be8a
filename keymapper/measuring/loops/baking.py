"""The audio to ship for a loop verdict."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops.calming import calmed
from keymapper.measuring.loops.crossfade import GUARD_FRAMES, crossfaded, mirrored_release
from keymapper.measuring.loops.flattening import flatten
from keymapper.model.loop import LoopVerdict


def flattened(samples: np.ndarray, rate: int, verdict: LoopVerdict) -> np.ndarray:
    """Return the note with the verdict's decay taken out, unlooped: what its join is judged by.

    samples : float, shape (frames, channels), full scale 1.0. Returned as it is when the verdict
    has no flattening.
    """
    if verdict.flattening is None or verdict.loop is None:
        return samples
    return flatten(samples, rate, verdict.flattening, verdict.loop.end_frame)


def bake_loop(
    samples: np.ndarray, rate: int, verdict: LoopVerdict, *, keep_release: bool = False
) -> np.ndarray:
    """Return the audio to ship: flattened, its crossfade baked in, cut after the loop.

    Loop frame numbers stay valid. The end is followed by guard frames equal to those after the
    start. ``keep_release`` keeps the recording after the loop, faded in from the loop's start,
    for ``loop_sustain``; without it ``loop_continuous`` and the envelope's release are meant.
    Without a loop the audio comes back unchanged.

    samples : float, shape (frames, channels), full scale 1.0.
    """
    if verdict.loop is None:
        return samples
    start, end = verdict.loop.start_frame, verdict.loop.end_frame
    if not keep_release:
        samples = samples[: end + round(0.1 * rate)]
    audio = joined(flattened(samples, rate, verdict), rate, verdict)
    again = start + np.arange(max(GUARD_FRAMES, end - start)) % (end - start)
    if keep_release and len(audio) - end > GUARD_FRAMES:
        return np.concatenate([audio[:end], mirrored_release(audio, audio[again], end, rate)])
    return np.concatenate([audio[:end], audio[again[:GUARD_FRAMES]]])


def joined(samples: np.ndarray, rate: int, verdict: LoopVerdict) -> np.ndarray:
    """Return the levelled note with its verdict's loop calmed and its crossfade baked in.

    samples : float, shape (frames, channels), full scale 1.0, as long as it comes back. Returned as
    it is when the verdict has no loop.
    """
    if verdict.loop is None:
        return samples
    start, end, fade = verdict.loop.start_frame, verdict.loop.end_frame, verdict.crossfade_frames
    if verdict.calming_ratio:
        samples = calmed(samples, rate, start - fade, verdict.loop, verdict.calming_ratio)
    audio = np.array(samples)
    if fade:
        audio[end - fade : end] = crossfaded(audio, rate, start, end, fade)
    return audio
