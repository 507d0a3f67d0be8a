"""Notes of a take timed side by side: each by itself, then by what noise and tails let be seen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from keymapper.slicing.hearing import HeardTake
from keymapper.slicing.side_by_side import side_by_side
from keymapper.slicing.swelling import Beginning, SeenAudible, beginning_of, seen_audible
from keymapper.slicing.timing import Asked, Timed, is_slow, moment_of, timed_onset


def timed_notes(heard: HeardTake, played: Sequence[Asked]) -> list[Timed]:
    """Return notes of a take, each timed by itself."""
    moments = ((a, moment_of(heard.take, heard.levels, a, heard.hum_hz)) for a in played)
    return list(side_by_side(lambda one: timed_onset(heard.levels, *one), moments))


def timed_again(heard: HeardTake, notes: Sequence[Timed]) -> list[Timed]:
    """Return the notes of a patch, those that noise or a tail blurs by what is seen beneath.

    Through noise only slow notes are seen: they grow as the fit has it.
    """
    found = list(side_by_side(_seen, _moments(heard, notes)))
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


def _seen(moment: tuple[Timed, Beginning | None]) -> SeenAudible | None:
    note, beginning = moment
    return None if beginning is None else seen_audible(beginning, note.peak)


def _timed_as(note: Timed, seen: SeenAudible, case: str) -> Timed:
    onset = note.asked.expected_seconds + seen.seconds
    return replace(note, onset_seconds=onset, case=case, abrupt=seen.is_abrupt)


def _moments(heard: HeardTake, notes: Sequence[Timed]) -> Iterator[tuple[Timed, Beginning | None]]:
    for note in notes:
        beginning = None
        if note.blurred:
            beginning = beginning_of(heard.take, heard.levels, note.asked, heard.hum_hz)
        yield note, beginning
