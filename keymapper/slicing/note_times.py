"""Notes of a take timed side by side: each by itself, then by what noise and tails let be seen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from keymapper.slicing.beginning import Beginning, beginning_of, is_held_long
from keymapper.slicing.curving import way_of_growing
from keymapper.slicing.growth import GROWING
from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.swelling import SeenAudible, seen_audible
from keymapper.slicing.timing import Asked, Timed, is_slow, moment_of, timed_onset

_EARLY_SECONDS = 0.003


def timed_notes(heard: HeardTake, played: Sequence[Asked]) -> list[Timed]:
    """Return notes of a take, each timed by itself."""
    moments = ((a, moment_of(heard.take, heard.levels, a, heard.hum_hz)) for a in played)
    return list(side_by_side(lambda one: timed_onset(heard.levels, *one), moments))


def timed_again(heard: HeardTake, notes: Sequence[Timed]) -> list[Timed]:
    """Return the notes of a patch, those that noise or a tail blurs by what is seen beneath.

    Through noise only slow notes are seen: they grow as the fit has it, straight or along the curve
    that fits the patch.
    """
    way, slow = GROWING, is_slow(notes)
    if slow:
        way = way_of_growing(heard, [note.asked for note in notes])
    beginnings = _beginnings(heard, notes, may_be_short=slow)
    found = list(side_by_side(lambda one: _seen(*one, way), beginnings))
    clear = [
        _timed_as(note, seen, "clear") if seen is not None and seen.is_clear else note
        for note, seen in zip(notes, found, strict=True)
    ]
    if not is_slow(clear):
        return clear
    return [
        note if seen is None or seen.is_clear else _timed_as(note, seen, "grown")
        for note, seen in zip(clear, found, strict=True)
    ]


def _seen(note: Timed, beginning: Beginning | None, way: Sequence[int]) -> SeenAudible | None:
    """Return when a note is seen to become audible; one that is held shortly, rather early.

    Its partials are not known so well, so that along a curve they may bend more.
    """
    if beginning is None or is_held_long(note.asked):
        return None if beginning is None else seen_audible(beginning, note.peak, way)
    seen = seen_audible(beginning, note.peak, way if way == GROWING else (*way, way[-1] + 1))
    return seen and replace(seen, seconds=seen.seconds - _EARLY_SECONDS)


def _timed_as(note: Timed, seen: SeenAudible, case: str) -> Timed:
    onset = note.asked.expected_seconds + seen.seconds
    return replace(note, onset_seconds=onset, case=case, abrupt=seen.is_abrupt)


def _beginnings(
    heard: HeardTake, notes: Sequence[Timed], *, may_be_short: bool
) -> Iterator[tuple[Timed, Beginning | None]]:
    for note in notes:
        beginning = None
        if note.blurred:
            beginning = beginning_of(
                heard.take, heard.levels, note.asked, heard.hum_hz, may_be_short=may_be_short
            )
        yield note, beginning
