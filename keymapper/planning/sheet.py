"""From settings to a session sheet: every note-on and note-off, exact to the millisecond.

All times are whole milliseconds until the sheet is made, so that nothing is rounded twice.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from keymapper.errors import UsageError
from keymapper.model.keys import key_name
from keymapper.model.session import (
    NoteRole,
    PatchCall,
    PlannedNote,
    SessionSettings,
    SessionSheet,
)
from keymapper.planning.checks import check_settings
from keymapper.planning.notes import (
    NoteToRecord,
    as_key,
    check_sent_key,
    notes_to_record,
    planned_keys,
    seconds_at,
)

_SYNC_GAPS_MS = (100, 500, 250, 700, 350)
"""Uneven, so that the count-in fits the recording in one place only."""
_SYNC_HOLD_MS = 600
_REFERENCE_HOLD_MS = 2000
_STRETCHES, _STRETCH_MS = 8, 20
"""A pause is longer by up to seven such steps."""


@dataclass(slots=True)
class _Clock:
    """The sheet as it grows; `now` is when the next note may begin, in milliseconds."""

    settings: SessionSettings
    notes: list[PlannedNote]
    now: int = 0
    last_reference: int | None = None
    reference_count: int = 0

    def play(self, role: NoteRole, patch: int, note: NoteToRecord, lengths: _Lengths) -> None:
        on, off = self.now, self.now + lengths.hold
        self.now += lengths.spacing
        until = max(off, on + lengths.spacing)
        self.notes.append(
            PlannedNote(
                role=role,
                patch=patch,
                key=note.key,
                velocity=note.velocity,
                round_robin=note.round_robin,
                on_seconds=on / 1000,
                off_seconds=off / 1000,
                until_seconds=until / 1000,
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lengths:
    """Of one note, in milliseconds; spacing reaches to the next note-on."""

    hold: int
    spacing: int


def plan_session(settings: SessionSettings) -> SessionSheet:
    """Return the session sheet that the settings ask for.

    Every pause is a little longer or shorter than the last, in a fixed sequence, so that any
    stretch of a take can be placed in the plan from its timing alone; a `spacing_seconds` is kept
    as asked.

    Raises UsageError where the plan cannot be played, with the reason.
    """
    check_settings(settings)
    keys = planned_keys(settings)
    clock = _Clock(settings=settings, notes=[])
    patches = settings.patches or (PatchCall(name=settings.name),)
    starts = []
    reference = _reference_note(settings, keys)
    for index in range(len(patches)):
        starts.append(clock.now / 1000)
        clock.now += _ms(settings.settle_seconds)
        if index == 0:
            _count_in(clock, reference)
        _play_patch(clock, index, keys, reference)
    sheet = SessionSheet(
        name=settings.name,
        patches=patches,
        patch_starts_seconds=tuple(starts),
        notes=tuple(clock.notes),
        duration_seconds=max(note.until_seconds for note in clock.notes),
        channel=settings.channel,
        transpose=settings.transpose,
    )
    _check_sheet(sheet, settings)
    return sheet


def _play_patch(clock: _Clock, patch: int, keys: tuple[int, ...], reference: NoteToRecord) -> None:
    settings = clock.settings
    clock.last_reference, clock.reference_count = None, 0
    _play_reference_if_due(clock, patch, reference, 0)
    for note in notes_to_record(settings, keys):
        lengths = _note_lengths(settings, note.key, len(clock.notes))
        _play_reference_if_due(clock, patch, reference, lengths.spacing)
        clock.play("note", patch, note, lengths)
    if settings.reference_every_seconds is not None:
        _play_reference(clock, patch, reference)


def _play_reference_if_due(
    clock: _Clock, patch: int, reference: NoteToRecord, coming_ms: int
) -> None:
    every = clock.settings.reference_every_seconds
    if every is None:
        return
    last = clock.last_reference
    if last is None or clock.now + coming_ms - last > _ms(every):
        _play_reference(clock, patch, reference)


def _play_reference(clock: _Clock, patch: int, reference: NoteToRecord) -> None:
    clock.last_reference = clock.now
    clock.reference_count += 1
    numbered = NoteToRecord(
        key=reference.key, velocity=reference.velocity, round_robin=clock.reference_count
    )
    spacing = _note_lengths(clock.settings, reference.key, len(clock.notes)).spacing
    hold = min(_REFERENCE_HOLD_MS, _ms(_hold_seconds(clock.settings, reference.key)))
    clock.play("reference", patch, numbered, _Lengths(hold=hold, spacing=spacing))


def _count_in(clock: _Clock, reference: NoteToRecord) -> None:
    lengths = _note_lengths(clock.settings, reference.key, 0)
    hold = min(lengths.hold, _SYNC_HOLD_MS)
    for number in range(clock.settings.sync_notes):
        gap = _SYNC_GAPS_MS[number % len(_SYNC_GAPS_MS)]
        note = NoteToRecord(key=reference.key, velocity=127, round_robin=number + 1)
        spacing = max(lengths.spacing - lengths.hold, 0) + hold + gap
        clock.play("sync", 0, note, _Lengths(hold=hold, spacing=spacing))


def _reference_note(settings: SessionSettings, keys: tuple[int, ...]) -> NoteToRecord:
    key = keys[len(keys) // 2]
    if settings.reference_key is not None:
        key = as_key(settings.reference_key, "reference_key")
    check_sent_key(key, settings.transpose)
    return NoteToRecord(key=key, velocity=max(settings.velocities), round_robin=1)


def _note_lengths(settings: SessionSettings, key: int, position: int) -> _Lengths:
    hold = _ms(_hold_seconds(settings, key))
    if settings.spacing_seconds is not None:
        return _Lengths(hold=hold, spacing=_ms(settings.spacing_seconds))
    release = seconds_at(key, settings.release_seconds, "release_seconds")
    pause = _ms(settings.pause_seconds) + _stretch_ms(position)
    return _Lengths(hold=hold, spacing=hold + _ms(release) + pause)


def _hold_seconds(settings: SessionSettings, key: int) -> float:
    return seconds_at(key, settings.hold_seconds, "hold_seconds")


def _stretch_ms(position: int) -> int:
    """Return a fixed, irregular sequence of small stretches."""
    return int(random.Random(position).random() * _STRETCHES) * _STRETCH_MS


def _check_sheet(sheet: SessionSheet, settings: SessionSettings) -> None:
    if sheet.duration_seconds > settings.longest_seconds:
        raise UsageError(
            f"the session would take {sheet.duration_seconds / 60:.1f} minutes, longer than "
            f"longest_seconds allows ({settings.longest_seconds / 60:.1f}); record fewer notes, "
            "or raise it."
        )
    if settings.mono:
        _refuse_overlaps(sheet)
    else:
        _refuse_struck_while_held(sheet)


def _refuse_struck_while_held(sheet: SessionSheet) -> None:
    """Refuse a key struck again before it is let go, which no keyboard can play."""
    held: dict[int, tuple[int, float]] = {}
    for index, note in enumerate(sheet.notes):
        before, until = held.get(note.key, (0, 0.0))
        if until > note.on_seconds:
            raise UsageError(
                f"note {before} ({key_name(note.key)}) is let go at {until:.3f} s, after note "
                f"{index} strikes the same key at {note.on_seconds:.3f} s: hold for less, or space "
                "the notes wider."
            )
        held[note.key] = (index, note.off_seconds)


def _refuse_overlaps(sheet: SessionSheet) -> None:
    """Refuse what a patch that sounds one note at a time cannot play."""
    for index, (note, following) in enumerate(zip(sheet.notes, sheet.notes[1:], strict=False)):
        if note.off_seconds > following.on_seconds:
            raise UsageError(
                f"note {index} ({key_name(note.key)}) is let go at {note.off_seconds:.3f} s, after "
                f"note {index + 1} has begun at {following.on_seconds:.3f} s; a mono patch cannot "
                "play that: hold for less, or space the notes wider."
            )


def _ms(seconds: float) -> int:
    return round(seconds * 1000)
