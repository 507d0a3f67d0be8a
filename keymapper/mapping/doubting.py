"""What a person should look at in a finished instrument, the gravest first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from keymapper.mapping.placing import Place
from keymapper.model.hearing import difference_db, excitations
from keymapper.model.instrument import Doubt, NoteRecord
from keymapper.model.tone import Tone

UNLIKE_DB = 8.0
"""Repeats of one sound, drums too, lie within 5 dB of each other in colour; two sounds over 10."""
_GRAVEST_FIRST = ("set", "pitch", "name", "loop", "file", "level", "channels")


def doubts_of_result(notes: Sequence[NoteRecord]) -> list[Doubt]:
    """Return the doubts about files, levels, channels and loops of the notes."""
    return [doubt for note in notes for doubt in _doubts(note)]


def sorted_doubts(doubts: Iterable[Doubt]) -> tuple[Doubt, ...]:
    """Return doubts by gravity, then by file; what holds for a note and its reversed copy, once."""
    return tuple(
        sorted(set(doubts), key=lambda d: (_GRAVEST_FIRST.index(d.about), d.file, d.message))
    )


def doubts_of_turns(
    places: Sequence[Place], files: Sequence[str], tones: Sequence[Tone]
) -> Iterator[Doubt]:
    """Yield the notes that take turns with a sound unlike them: most likely two instruments.

    files, tones : of each place.
    """
    turns: dict[tuple[str, int, int], list[int]] = defaultdict(list)
    for index, place in enumerate(places):
        turns[place.trigger, place.low_key, place.low_velocity].append(index)
    for first, *others in turns.values():
        if not others:
            continue
        heard = excitations([tones[i] for i in (first, *others)], np.array([0]))[:, 0]
        apart_db = difference_db(heard[:1], heard[1:])
        for other, apart in zip(others, apart_db, strict=True):
            if apart > UNLIKE_DB and files[other] != files[first]:
                message = (
                    f"takes turns with {files[first]} but sounds unlike it "
                    f"({apart:.0f} dB apart in colour); are these two instruments?"
                )
                yield Doubt(file=files[other], about="set", message=message)


def _doubts(note: NoteRecord) -> Iterator[Doubt]:
    file, levels, channels = note.source.file, note.measurement.levels, note.measurement.channels
    if note.source.missing_frames:
        lost = note.source.missing_frames / note.source.rate
        yield Doubt(file=file, about="file", message=f"is cut short: {lost:.2f} s are missing")
    if levels.clipped_frames:
        message = f"clipped in {levels.clipped_frames} frames; record it again with less gain"
        yield Doubt(file=file, about="level", message=message)
    if levels.flat_top_frames:
        message = (
            f"its peaks are cut flat at {levels.peak_dbfs:.1f} dBFS, in {levels.flat_top_frames} "
            "frames: it was clipped before it was turned down"
        )
        yield Doubt(file=file, about="level", message=message)
    if channels.dead:
        message = f"its {channels.dead} side is dead; the other was taken for both"
        yield Doubt(file=file, about="channels", message=message)
    if channels.inverted:
        message = "its sides are upside down to each other and vanish in mono; turn one over"
        yield Doubt(file=file, about="channels", message=message)
    yield from _loop_doubts(note)


def _loop_doubts(note: NoteRecord) -> Iterator[Doubt]:
    join = note.sample.join
    if join is not None and join.worst_db > 0:
        advice = note.loop.advice or "record 2 s more of sustain"
        message = f"its loop may be heard ({join.worst_db:+.1f} dB over the threshold); {advice}"
        yield Doubt(file=note.source.file, about="loop", message=message)
