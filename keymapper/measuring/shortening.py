"""Ways to keep a note in less memory: an earlier loop, a shorter loop, an earlier end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from keymapper.measuring.join import join_audibility
from keymapper.measuring.loops import bake_loop, find_loop, flattened
from keymapper.measuring.loops.crossfade import GUARD_FRAMES
from keymapper.model.hearing import ending_loss_db
from keymapper.model.loop import LoopMode, LoopOptions, LoopVerdict
from keymapper.model.shape import Shape
from keymapper.model.tone import FALLS_DB, Tone

EARLIER_LOOP_SECONDS = (1.6, 0.9)
"""After the onset, by when a loop may have to end."""
EARLIER_LOOP_DB = 0.3
"""Of a loop that is shorter than it could be: the same movement comes round sooner."""
ENDS_BELOW_DB = (60.0, 50.0, 40.0, 30.0, 20.0)
FADE_SECONDS = 0.05
"""Left after an early end for the fade that is laid over it."""


def shapes(
    note: np.ndarray,
    rate: int,
    tone: Tone,
    loop: LoopVerdict,
    f0_hz: float | None,
    *,
    flatten: bool = True,
    settled_frame: int = 0,
) -> tuple[Shape, ...]:
    """Return the ways to keep a note, in full first, each shorter than the one before.

    A looped note may loop earlier, or in a short loop that stands still, as long as its join is not
    heard: its loss is the movement that is taken out. A note that plays to its end may end once it
    has fallen by some level.

    note : float, shape (frames, channels), as it would be written but for its loop.
    loop : of the same frames.
    flatten : whether a gentle decay may be taken out of an earlier loop.
    settled_frame : where a late vibrato has set in, which no earlier loop may leave out.
    """
    if loop.loop is None:
        full = Shape(frames=len(note), loop=loop)
        return _shorter_each(full, _earlier_ends(len(note), rate, tone, loop))
    full = Shape(frames=_looped_frames(loop), loop=loop)
    earlier = _earlier_loops(note, rate, loop, f0_hz, flatten)
    return _shorter_each(full, (one for one in earlier if _starts_after(one.loop, settled_frame)))


def _starts_after(loop: LoopVerdict, frame: int) -> bool:
    return loop.loop is not None and loop.loop.start_frame >= frame


def _shorter_each(full: Shape, others: Iterator[Shape]) -> tuple[Shape, ...]:
    kept = [full]
    for shape in others:
        if shape.frames < kept[-1].frames:
            kept.append(shape)
    return tuple(kept)


def _looped_frames(loop: LoopVerdict) -> int:
    return 0 if loop.loop is None else loop.loop.end_frame + GUARD_FRAMES


def _earlier_ends(frames: int, rate: int, tone: Tone, loop: LoopVerdict) -> Iterator[Shape]:
    lead = frames - round(tone.seconds * rate)
    for below_db in ENDS_BELOW_DB:
        seconds = tone.falls_seconds[FALLS_DB.index(below_db)]
        yield Shape(
            frames=max(0, lead) + round((seconds + FADE_SECONDS) * rate),
            loop=loop,
            loss_db=ending_loss_db(tone, seconds),
            about=f"ends once {below_db:.0f} dB below its loudest",
        )


def _earlier_loops(
    note: np.ndarray, rate: int, full: LoopVerdict, f0_hz: float | None, flatten: bool
) -> Iterator[Shape]:
    def within(end: int, mode: LoopMode) -> LoopVerdict:
        options = LoopOptions(mode=mode, flatten=flatten)
        found = find_loop(note[:end], rate, f0_hz=f0_hz, note_off_frame=end, options=options)
        return falling_as(found, full)

    shortest = _looped_frames(full)
    for seconds in EARLIER_LOOP_SECONDS:
        end = round(seconds * rate)
        if end < _looped_frames(full):
            found = within(end, "long")
            if found.kind == "long" and heard_db(note, rate, found) <= 0.0:
                shortest = min(shortest, _looped_frames(found))
                yield _looped(found, full, f"loops within the first {seconds:.1f} s")
    # one that stands still later than a loop that lives would be no shorter
    found = within(min(round(EARLIER_LOOP_SECONDS[-1] * rate), shortest - GUARD_FRAMES), "short")
    if found.loop is not None and heard_db(note, rate, found) <= 0.0:
        yield _looped(found, full, "short loops, which stand still,")


def falling_as(found: LoopVerdict, whole: LoopVerdict) -> LoopVerdict:
    """Return a loop of a part of a note with the decay of the whole note.

    A part may be no more than one swing of a slow beat, which falls and comes again.
    """
    if found.flattening is None:
        return found
    falls = whole.flattening.decay_db_per_second if whole.flattening else 0.0
    return replace(found, flattening=replace(found.flattening, decay_db_per_second=falls))


def heard_db(note: np.ndarray, rate: int, loop: LoopVerdict) -> float:
    """Return how far the join of a loop would lie over its threshold; above 0 it may be heard."""
    if loop.loop is None:
        return 0.0
    level = flattened(note, rate, loop)
    baked = bake_loop(level, rate, replace(loop, flattening=None))
    return join_audibility(level, baked, rate, loop.loop).worst_db


def _looped(found: LoopVerdict, full: LoopVerdict, about: str) -> Shape:
    """Return a shape that costs the movement it takes out, as much as the whole note moves."""
    movement = max(full.movement_db or 0.0, found.movement_db or 0.0)
    lost = movement * (_movement_lost_ratio(found) - _movement_lost_ratio(full))
    return Shape(
        frames=_looped_frames(found),
        loop=found,
        loss_db=max(lost, EARLIER_LOOP_DB),
        about=about,
    )


def _movement_lost_ratio(loop: LoopVerdict) -> float:
    return 1.0 if loop.kind == "short" else loop.calming_ratio
