"""Octave offsets common to a set of notes: a fact about the patch, not an error of each note."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

ODD_SEMITONES = 0.6
LEAST_NOTES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class SetOctave:
    """How a whole set of notes lies against its plan.

    ``octaves`` is added to every planned key to get the sounding one: a 16-foot stop or a
    sub-oscillator gives -1, another naming of octaves +1 or -1. ``odd_notes`` are the indices of
    notes that deviate from plan plus offset.
    """

    octaves: int
    odd_notes: tuple[int, ...]


def set_octave(
    planned_keys: Sequence[int | None], sounding_keys: Sequence[float | None]
) -> SetOctave:
    """Return the octave offset of a set, by majority, and the notes that deviate from it.

    planned_keys : the key each note should be; None where there is no plan.
    sounding_keys : the key each note sounds, with its fraction; None where no pitch was found.

    Both None and single notes leave the offset at 0; the sound of a note is never changed by it.
    """
    apart = {
        index: sounding - planned
        for index, (planned, sounding) in enumerate(zip(planned_keys, sounding_keys, strict=True))
        if planned is not None and sounding is not None
    }
    votes = Counter(round(semitones / 12) for semitones in apart.values())
    ranked = sorted(votes.items(), key=lambda vote: (-vote[1], abs(vote[0]), vote[0]))
    octaves = 0
    if len(apart) >= LEAST_NOTES and 2 * ranked[0][1] > len(apart):
        octaves = ranked[0][0]
    odd = [
        index for index, semitones in apart.items() if abs(semitones - 12 * octaves) > ODD_SEMITONES
    ]
    return SetOctave(octaves=octaves, odd_notes=tuple(odd))
