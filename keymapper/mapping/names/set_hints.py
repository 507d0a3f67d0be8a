"""From the names of a set to one hint a file, and what holds for the set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from keymapper.mapping.names.agreement import LEAST_CONFIDENCE
from keymapper.mapping.names.hints import Contradiction, MeasuredHint, NameHint, SetHints
from keymapper.mapping.names.keys import (
    NamedKeys,
    key_contradictions,
    key_facts,
    named_keys,
)
from keymapper.mapping.names.lexing import NamePieces, NoteText, Number, Piece, pieces_of
from keymapper.mapping.names.note_names import NoteNames, find_note_names
from keymapper.mapping.names.reading import RANGES, Part, Reading, SetNames, read_set
from keymapper.mapping.names.roles import Setting
from keymapper.mapping.names.velocities import files_out_of_order
from keymapper.mapping.names.words import dynamics_of, release_flags, sounds_named

_LEAST_DIFFERENT_KEYS = 5


def hints_from_names(names: Sequence[str], measured: Sequence[MeasuredHint | None]) -> SetHints:
    """Return what the file names of one set say, read together and compared with the sound.

    Which number is the key, the velocity or the repeat, and which octave convention note names
    follow, is inferred from all names at once. One shift is allowed for the set as a whole; a file
    that deviates from it is listed, and where its pitch is sure its name is not believed. Where
    most release notes have not the pitch of the key in their name they are noises, whose pitch says
    nothing.

    names : paths relative to the set's folder; folders carry hints too. Any script.
    measured : one a name, None where nothing was measured.

    Raises ValueError when the two are not equally long.
    """
    if len(names) != len(measured):
        raise ValueError(f"{len(names)} names but {len(measured)} measurements")
    if not names:
        return SetHints(
            notes=(),
            middle_c_octave=None,
            offset_semitones=None,
            are_velocity_ranges=False,
            facts=(),
            contradictions=(),
        )
    files = tuple(pieces_of(name) for name in names)
    is_release = release_flags(files)
    heard = _read_as_heard(names, files, measured)
    if any(is_release) and _are_noises(heard, measured, is_release):
        held = [
            replace(hint, root_key=None) if hint is not None and released else hint
            for hint, released in zip(measured, is_release, strict=True)
        ]
        return _read_as_heard(names, files, held)
    return heard


def _read_as_heard(
    names: Sequence[str],
    files: tuple[NamePieces, ...],
    measured: Sequence[MeasuredHint | None],
) -> SetHints:
    note_names = find_note_names(files, measured)
    believed, reading = _read_with_note_names(files, note_names, measured)
    named = named_keys(believed, reading.keys, measured)
    if named is None and note_names is not None:
        named = named_keys(note_names, None, measured)
    contradictions = [] if named is None else key_contradictions(names, named, measured)
    contradictions += _velocity_contradictions(names, reading)
    return _set_hints(files, named, reading, tuple(contradictions))


def _are_noises(
    heard: SetHints, measured: Sequence[MeasuredHint | None], is_release: Sequence[bool]
) -> bool:
    """Tell whether most release notes with a pitch have not that of the key in their name."""
    pitched = [
        index
        for index, (hint, released) in enumerate(zip(measured, is_release, strict=True))
        if released and _measured_key(hint) is not None
    ]
    wrong = {one.index for one in heard.contradictions if one.kind == "key"}
    without_key = sum(heard.notes[index].key is None or index in wrong for index in pitched)
    return 2 * without_key > len(pitched)


def _read_with_note_names(
    files: tuple[NamePieces, ...],
    note_names: NoteNames | None,
    measured: Sequence[MeasuredHint | None],
) -> tuple[NoteNames | None, Reading]:
    """Return the note names, if they are believed, and the reading they lead to.

    Note names that only may be some give way to numbers that differ as keys do: "take a1_48,
    take a1_50", "48_f_1, 48_f_2, 50_f_1".
    """
    believed = note_names if note_names is not None and note_names.is_believed else None
    reading = read_set(_set_names(files, believed, measured))
    if believed is not None and believed.is_weak:
        other = read_set(_set_names(files, None, measured))
        different = len(set(other.keys.values)) if other.keys is not None else 0
        if different >= max(_LEAST_DIFFERENT_KEYS, believed.distinct + 1):
            return None, other
    return believed, reading


def _set_names(
    files: tuple[NamePieces, ...],
    note_names: NoteNames | None,
    measured: Sequence[MeasuredHint | None],
) -> SetNames:
    notes: tuple[NoteText | None, ...] = (None,) * len(files)
    keys = tuple(_measured_key(hint) for hint in measured)
    if note_names is not None:
        notes, keys = note_names.column.notes, note_names.keys
    dynamics = dynamics_of(files, notes)
    setting = Setting(
        keys=keys,
        sounds=sounds_named(files, notes, dynamics),
        is_release=release_flags(files),
        measured=tuple(measured),
    )
    return SetNames(files=files, note_names=note_names, dynamics=dynamics, setting=setting)


def _measured_key(hint: MeasuredHint | None) -> int | None:
    return hint.root_key if hint is not None and hint.confidence >= LEAST_CONFIDENCE else None


def _velocity_contradictions(names: Sequence[str], reading: Reading) -> list[Contradiction]:
    """Return the files that are clearly softer or louder than their velocity's place in the key."""
    part, setting = reading.velocities, reading.setting
    if part is None:
        return []
    found = []
    for index, other in files_out_of_order(part.values, setting):
        velocity, level_db = part.values[index], setting.level_db(index)
        if velocity is None or level_db is None:
            continue
        found.append(
            Contradiction(
                index=index,
                name=names[index],
                kind="velocity",
                named=velocity,
                measured=level_db,
                is_certain=True,
                reason=f"named velocity {velocity} at {level_db:.1f} dB, but the levels of its key "
                f"fall where velocity rises (velocity {part.values[other]})",
            )
        )
    return found


def _set_hints(
    files: Sequence[NamePieces],
    named: NamedKeys | None,
    reading: Reading,
    contradictions: tuple[Contradiction, ...],
) -> SetHints:
    wrong_keys = {c.index for c in contradictions if c.kind == "key" and c.is_certain}
    wrong_velocities = {c.index for c in contradictions if c.kind == "velocity"}
    keys = named if named is not None and named.is_believed else None
    fit = keys.fit if keys is not None else None
    told = [part.pieces for part in (keys, reading.velocities, reading.repeats) if part is not None]
    notes = tuple(
        _name_hint(
            index,
            keys if index not in wrong_keys else None,
            reading.velocities if index not in wrong_velocities else None,
            reading,
            _sound(file, [column[index] for column in told]),
        )
        for index, file in enumerate(files)
    )
    return SetHints(
        notes=notes,
        middle_c_octave=keys.middle_c_octave if keys is not None else None,
        offset_semitones=fit.semitones if fit is not None else None,
        are_velocity_ranges=reading.velocities is not None and reading.velocities.way == RANGES,
        facts=_facts(named, reading),
        contradictions=tuple(sorted(contradictions, key=lambda each: (each.index, each.kind))),
    )


def _name_hint(
    index: int, keys: NamedKeys | None, velocities: Part | None, reading: Reading, sound: str
) -> NameHint:
    return NameHint(
        key=keys.keys[index] if keys is not None else None,
        velocity=velocities.values[index] if velocities is not None else None,
        round_robin=reading.repeats.values[index] if reading.repeats is not None else None,
        is_release=reading.setting.is_release[index],
        sound=sound,
    )


def _sound(file: NamePieces, told: Sequence[Piece | None]) -> str:
    """Return what is left of a name without the pieces that told something, nor their tags."""
    left: list[Piece] = []
    before: Piece | None = None
    for piece in sorted((*file.words, *file.numbers), key=lambda one: (-one.depth, one.start)):
        if not any(piece.overlaps(one) for one in told):
            left.append(piece)
        elif isinstance(piece, Number) and piece.tag and left and left[-1] is before:
            left.pop()
        before = piece
    return " ".join(piece.text for piece in left)


def _facts(named: NamedKeys | None, reading: Reading) -> tuple[str, ...]:
    facts = [] if named is None else key_facts(named)
    if reading.velocities is not None:
        facts.append(f"velocities are read from {reading.velocities.way}")
    if reading.repeats is not None:
        facts.append("repeats are numbered")
    if any(reading.setting.is_release):
        facts.append("release notes are marked")
    return tuple(facts)
