"""The frames a voice reads, one after the other: loops unrolled, reversed where asked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.formats.sfz import SfzRegion
from keymapper.model.loop import Loop
from keymapper.proving.events import PlayerSample


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """What of a sample a voice plays, half-open; ``loop`` goes on until let go if `sustains`."""

    start_frame: int
    end_frame: int
    loop: Loop | None
    sustains: bool
    reverse: bool


def stream_of(region: SfzRegion, sample: PlayerSample) -> Stream:
    """Return what `region` plays of `sample`.

    A loop in the file is used where the region names no loop mode, and gives the points the
    region leaves out; without any points a looping region loops the whole file.
    """
    length = len(sample.samples)
    end = length if region.end_frame is None else min(region.end_frame, length)
    start = min(region.offset_frames, end)
    mode = played_loop_mode(region, sample)
    loop = None
    if mode in ("loop_continuous", "loop_sustain") and not region.reverse:
        own = sample.loop or Loop(start_frame=0, end_frame=length)
        first, last = region.loop_start_frame, region.loop_end_frame
        loop_start = own.start_frame if first is None else first
        loop_end = min(own.end_frame if last is None else last, end)
        if loop_start < loop_end and start < loop_end:
            loop = Loop(start_frame=loop_start, end_frame=loop_end)
    return Stream(
        start_frame=start,
        end_frame=end,
        loop=loop,
        sustains=mode == "loop_sustain",
        reverse=region.reverse,
    )


def played_loop_mode(region: SfzRegion, sample: PlayerSample) -> str:
    """Return the loop mode that holds, whoever says so."""
    if region.loop_mode is not None:
        return region.loop_mode
    if region.is_release:
        return "one_shot"
    return "loop_continuous" if sample.loop is not None else "no_loop"


def unrolled(
    stream: Stream, samples: np.ndarray, frames: int, released_at: float | None
) -> np.ndarray:
    """Return the first `frames` source frames a voice reads (fewer if the sample ends).

    released_at : how many source frames had been read when the key was let go; a sustaining
    loop is left at the end of that round.
    """
    if stream.reverse:
        played = samples[: stream.end_frame][::-1]
        return played[stream.start_frame : stream.start_frame + frames]
    if stream.loop is None:
        return samples[stream.start_frame : min(stream.end_frame, stream.start_frame + frames)]
    start, end = stream.loop.start_frame, stream.loop.end_frame
    head = samples[stream.start_frame : end]
    rounds = -(-max(0, frames - len(head)) // (end - start))
    tail = samples[:0]
    if stream.sustains and released_at is not None:
        rounds = min(rounds, max(0, -int(-(released_at - len(head)) // (end - start))))
        tail = samples[end : stream.end_frame]
    if rounds == 0 and not len(tail):
        return head[:frames]
    body = np.tile(samples[start:end], (rounds, 1))
    return np.concatenate((head, body, tail))[:frames]
