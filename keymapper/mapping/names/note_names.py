"""Which pieces of the names are the note names, and which octave convention they follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from keymapper.mapping.names.agreement import Agreement, agreement, is_believed
from keymapper.mapping.names.columns import NoteColumn, note_columns
from keymapper.mapping.names.hints import MeasuredHint
from keymapper.mapping.names.lexing import NamePieces, NoteText
from keymapper.model.keys import LETTER_SEMITONES, is_key

USUAL_MIDDLE_C_OCTAVE = 4
# The octave number of key 60, the usual one first.
_CONVENTIONS = (4, 3, 5)
_LOWEST_OCTAVE = -2
_NATURALS = frozenset(LETTER_SEMITONES.values())
_LEAST_SYLLABLES = 3
"""So many different ones are notes also where no sound says so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteNames:
    """A column read as note names; keys are MIDI numbers under the usual convention, C4 = 60.

    They may lie outside 0..127 until the convention is known. `fit` is None without any sound to
    compare with.
    """

    column: NoteColumn
    keys: tuple[int | None, ...]
    fit: Agreement | None

    @property
    def is_believed(self) -> bool:
        """The sound does not speak against the names as a whole."""
        return is_believed(self.fit, sum(key is not None for key in self.keys))

    @property
    def is_weak(self) -> bool:
        """No sound speaks for them, and they are all the same or apart from their octave."""
        is_split = all(note is None or note.joint != "" for note in self.column.notes)
        return self.fit is None and (self.distinct == 1 or is_split)

    @property
    def distinct(self) -> int:
        """How many different notes are named."""
        return len({key for key in self.keys if key is not None})


def find_note_names(
    files: Sequence[NamePieces], measured: Sequence[MeasuredHint | None]
) -> NoteNames | None:
    """Return the best column of note names, by the sound first, then by its looks.

    German names, where B is a tone below C, are tried where some can be nothing else. An H alone
    must agree with the sound, and so must one or two syllables (Do, Re, Mi): they are words too.
    """
    readings = _all_readings([_in_english(file) for file in files], measured)
    readings += [
        reading
        for reading in _all_readings([_in_syllables(file) for file in files], measured)
        if reading.fit is not None or reading.distinct >= _LEAST_SYLLABLES
    ]
    if any(note.is_german for file in files for note in file.notes):
        readings += [
            reading
            for reading in _all_readings([_in_german(file) for file in files], measured)
            if reading.fit is not None or _has_german_accidental(reading.column)
        ]
    return max(readings, key=_rank, default=None)


def _all_readings(
    files: Sequence[NamePieces], measured: Sequence[MeasuredHint | None]
) -> list[NoteNames]:
    return [
        reading
        for column in note_columns(files)
        for keys in _readings_of(column)
        if (reading := _reading(column, keys, measured)).distinct
    ]


def _in_english(file: NamePieces) -> NamePieces:
    notes = [note for note in file.notes if not (note.is_german or note.is_syllable)]
    return replace(file, notes=tuple(notes))


def _in_german(file: NamePieces) -> NamePieces:
    notes = [note for note in file.notes if not note.is_syllable]
    return replace(file, notes=tuple(replace(note, step=note.german_step) for note in notes))


def _in_syllables(file: NamePieces) -> NamePieces:
    return replace(file, notes=tuple(note for note in file.notes if note.is_syllable))


def _has_german_accidental(column: NoteColumn) -> bool:
    return any(
        note is not None and note.is_german and note.text[0] not in "hH" for note in column.notes
    )


def _reading(
    column: NoteColumn, keys: tuple[int | None, ...], measured: Sequence[MeasuredHint | None]
) -> NoteNames:
    return NoteNames(column=column, keys=keys, fit=agreement(keys, measured, octaves_only=False))


def _rank(names: NoteNames) -> tuple[float, ...]:
    """Order readings: agrees with the sound, covers the set, varies, looks like note names."""
    notes = [note for note in names.column.notes if note is not None]
    known = [key for key in names.keys if key is not None]
    return (
        names.is_believed,
        round(len(known) / len(names.keys), 1),
        names.distinct > 1,
        round(names.fit.share, 3) if names.fit else 0.0,
        sum(note.joint == "" for note in notes) / len(notes),
        len({key % 12 for key in known}),
        sum(note.is_upper for note in notes) / len(notes),
        names.distinct,
        -abs(names.fit.semitones) if names.fit else 0.0,
    )


def _readings_of(column: NoteColumn) -> list[tuple[int | None, ...]]:
    """Return the keys under each way to take the character before the octave.

    "C-1" is an octave below zero where other names of the set have none between the two, or where
    nothing speaks against it; "C-4" can only be a separator. Where it may fill the place of a
    sharp ("C-1" beside "C#1" alone) both are tried, that one first. "C_1" is read where all are so.
    """
    joints = {note.joint for note in column.notes if note is not None}
    if not joints <= {"", "-"}:
        return [_keys(column, dash_is_minus=False)] if len(joints) == 1 else []
    if "-" not in joints:
        return [_keys(column, dash_is_minus=False)]
    if "" in joints:
        minus = _keys(column, dash_is_minus=True)
        if _fills_the_place_of_a_sharp(column):
            return [_keys(column, dash_is_minus=False), minus]
        return [minus]
    dashed = [note for note in column.notes if note is not None]
    readings = [_keys(column, dash_is_minus=False)]
    if all(-note.octave >= _LOWEST_OCTAVE for note in dashed):
        minus = _keys(column, dash_is_minus=True)
        is_list = all(note.after_dash for note in dashed)
        readings = [*readings, minus] if is_list else [minus, *readings]
    return readings


def _fills_the_place_of_a_sharp(column: NoteColumn) -> bool:
    """Tell whether all naturals have a dash, and nothing else has."""
    notes = [note for note in column.notes if note is not None]
    return all((note.joint == "-") == (note.step % 12 in _NATURALS) for note in notes)


def _keys(column: NoteColumn, *, dash_is_minus: bool) -> tuple[int | None, ...]:
    return tuple(
        None if note is None else _key(note, is_minus=dash_is_minus and note.joint == "-")
        for note in column.notes
    )


def _key(note: NoteText, *, is_minus: bool) -> int | None:
    octave = -note.octave if is_minus else note.octave
    return None if octave < _LOWEST_OCTAVE else note.step + 12 * (octave + 1)


def possible_middle_c_octaves(keys: Sequence[int | None]) -> tuple[int, ...]:
    """Return the octave numbers of key 60 under which all keys lie in 0..127, the usual first."""
    return tuple(
        convention
        for convention in _CONVENTIONS
        if all(key is None or is_key(in_convention(key, convention)) for key in keys)
    )


def in_convention(key: int, middle_c_octave: int) -> int:
    """Return the MIDI key of a name read with C4 = 60, if that set writes 60 as another C."""
    return key + 12 * (USUAL_MIDDLE_C_OCTAVE - middle_c_octave)
