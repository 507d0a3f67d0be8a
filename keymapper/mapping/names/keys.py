"""The keys a set names: its octave convention, how far it sounds from them, and the odd ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from keymapper.mapping.names.agreement import (
    AGREEMENT_SEMITONES,
    CERTAIN_CONFIDENCE,
    LEAST_CONFIDENCE,
    LEAST_SHARE,
    Agreement,
    agreement,
    is_believed,
)
from keymapper.mapping.names.hints import Contradiction, MeasuredHint
from keymapper.mapping.names.lexing import Piece
from keymapper.mapping.names.note_names import (
    NoteNames,
    in_convention,
    possible_middle_c_octaves,
)
from keymapper.mapping.names.reading import Part
from keymapper.model.keys import is_key

# From this many named files on, names that most of them contradict are one fact, not many.
_LEAST_FILES_FOR_FACT = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedKeys:
    """The keys the names say, MIDI numbers in 0..127, and what the sound says of them as a whole.

    is_believed : false where the sound speaks against most of them.
    fit : None where the sound does not show an offset.
    """

    keys: tuple[int | None, ...]
    pieces: tuple[Piece | None, ...]
    middle_c_octave: int | None
    is_believed: bool
    fit: Agreement | None

    @property
    def offset_semitones(self) -> int:
        """How far the set sounds above its names; 0 where that is unknown."""
        return 0 if self.fit is None else self.fit.semitones


def named_keys(
    note_names: NoteNames | None, numbers: Part | None, measured: Sequence[MeasuredHint | None]
) -> NamedKeys | None:
    """Return the keys of a set from its note names, its MIDI numbers or both; None from neither."""
    convention = None
    if note_names is not None:
        convention = _middle_c_octave(note_names, numbers)
        keys = tuple(
            None if key is None else _in_range(in_convention(key, convention))
            for key in note_names.keys
        )
        pieces: tuple[Piece | None, ...] = note_names.column.notes
    elif numbers is not None:
        keys, pieces = numbers.values, numbers.pieces
    else:
        return None
    fit = agreement(keys, measured, octaves_only=note_names is None)
    believed = is_believed(fit, sum(key is not None for key in keys))
    is_shown = fit is not None and fit.share >= LEAST_SHARE
    return NamedKeys(
        keys=keys,
        pieces=pieces,
        middle_c_octave=convention if believed else None,
        is_believed=believed,
        fit=fit if is_shown else None,
    )


def _middle_c_octave(note_names: NoteNames, numbers: Part | None) -> int:
    """Return the octave number of key 60: from numbers beside the names, the range, the sound."""
    if numbers is not None:
        for number, key in zip(numbers.values, note_names.keys, strict=True):
            if number is not None and key is not None:
                return 4 - (number - key) // 12
    possible = possible_middle_c_octaves(note_names.keys) or (4,)
    if note_names.fit is not None and note_names.fit.share >= LEAST_SHARE:
        for convention in possible:
            if in_convention(0, convention) == note_names.fit.semitones:
                return convention
    return possible[0]


def _in_range(key: int) -> int | None:
    return key if is_key(key) else None


def key_contradictions(
    names: Sequence[str], named: NamedKeys, measured: Sequence[MeasuredHint | None]
) -> list[Contradiction]:
    """Return the files whose pitch lies over 0.6 semitones from where the set says it should."""
    known = sum(key is not None for key in named.keys)
    if named.fit is None and (named.is_believed or known >= _LEAST_FILES_FOR_FACT):
        return []
    found = []
    for index, (key, hint) in enumerate(zip(named.keys, measured, strict=True)):
        if key is None or hint is None or hint.sounding_key is None:
            continue
        deviation = hint.sounding_key - (key + named.offset_semitones)
        if hint.confidence < LEAST_CONFIDENCE or abs(deviation) <= AGREEMENT_SEMITONES:
            continue
        found.append(
            Contradiction(
                index=index,
                name=names[index],
                kind="key",
                named=key,
                measured=hint.sounding_key,
                is_certain=hint.confidence >= CERTAIN_CONFIDENCE,
                reason=_reason(named, index, deviation),
            )
        )
    return found


def _reason(named: NamedKeys, index: int, deviation: float) -> str:
    piece, offset = named.pieces[index], named.offset_semitones
    text = "" if piece is None else piece.text
    way = "above" if deviation > 0 else "below"
    expected = "" if offset == 0 else f", which in this set sounds {abs(offset)} semitones off,"
    return (
        f"named {text} (key {named.keys[index]}){expected} "
        f"but sounds {abs(deviation):.2f} semitones {way}"
    )


def key_facts(named: NamedKeys) -> list[str]:
    """Return what the keys of the set have in common, for people."""
    if not named.is_believed:
        return ["what looks like keys in the names does not follow the sound and is not believed"]
    facts = []
    if named.middle_c_octave is not None:
        facts.append(f"keys are note names with middle C written C{named.middle_c_octave}")
    else:
        facts.append("keys are MIDI numbers")
    offset = named.offset_semitones
    if offset:
        interval = (
            f"{abs(offset) // 12} octave(s)" if offset % 12 == 0 else f"{abs(offset)} semitones"
        )
        facts.append(f"the set sounds {interval} {'above' if offset > 0 else 'below'} its names")
    return facts
