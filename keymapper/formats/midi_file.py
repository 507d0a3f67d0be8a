"""Standard MIDI Files: a session sheet written as one, and one read as a session sheet.

Written: type 0, 960 ticks per quarter note at 62.5 quarter notes a minute, so that one tick is one
millisecond exactly. Markers name the sync and reference notes and the patches.
Read: types 0 and 1, running status, tempo changes, metrical and SMPTE division.
"""

from __future__ import annotations

import io
import itertools
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from keymapper.errors import InputError
from keymapper.model.session import NoteRole, PatchCall, PlannedNote, SessionSheet

_TICKS_PER_QUARTER = 960
_MICROSECONDS_PER_QUARTER = 960_000
_DEFAULT_TEMPO = 500_000
_MOST_BYTES = 64 << 20
_MOST_NOTES = 200_000
_LAST_NOTE_SECONDS = 2.0
"""How long a note that is never let go, at the end of a file, is taken to be held."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiPlan:
    """A MIDI file as a plan, and what had to be assumed to read it so."""

    sheet: SessionSheet
    remarks: tuple[str, ...]


def midi_bytes(sheet: SessionSheet) -> bytes:
    """Return the session sheet as a Standard MIDI File; the same sheet gives the same bytes."""
    import mido

    track = mido.MidiTrack()
    track.append(mido.MetaMessage("track_name", name=_ascii(sheet.name)))
    track.append(mido.MetaMessage("set_tempo", tempo=_MICROSECONDS_PER_QUARTER))
    now = 0
    for tick, _, message in sorted(_timed_messages(sheet), key=lambda event: event[:2]):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, _tick(sheet.duration_seconds) - now)))
    midi = mido.MidiFile(type=0, ticks_per_beat=_TICKS_PER_QUARTER, tracks=[track])
    buffer = io.BytesIO()
    midi.save(file=buffer)
    return buffer.getvalue()


def _timed_messages(sheet: SessionSheet) -> Iterator[tuple[int, int, Any]]:
    """Yield (tick, rank, message); at one tick note-offs go first, then set-up, then note-ons."""
    from mido import Message, MetaMessage

    channel = sheet.channel - 1
    for call, start in zip(sheet.patches, sheet.patch_starts_seconds, strict=True):
        tick = _tick(start)
        yield tick, 1, MetaMessage("marker", text=_ascii(f"patch: {call.name}"))
        for control, value in ((120, 0), (64, 0), (0, call.bank_msb), (32, call.bank_lsb)):
            if value is not None:
                yield (
                    tick,
                    2,
                    Message("control_change", channel=channel, control=control, value=value),
                )
        yield tick, 2, Message("pitchwheel", channel=channel, pitch=0)
        if call.program is not None:
            yield tick, 3, Message("program_change", channel=channel, program=call.program)
    for note in sheet.notes:
        on, off = _tick(note.on_seconds), _tick(note.off_seconds)
        key = note.key + sheet.transpose
        if note.role != "note":
            yield on, 4, MetaMessage("marker", text=note.role)
        yield on, 5, Message("note_on", channel=channel, note=key, velocity=note.velocity)
        yield off, 0, Message("note_off", channel=channel, note=key, velocity=64)


def read_midi(path: Path) -> MidiPlan:
    """Read a Standard MIDI File as a session sheet.

    A note that is struck again before its note-off ends there, and one without a note-off ends at
    its next note-on or 2 s after the last event; both are named in the remarks.

    Raises
    ------
    InputError
        Not a MIDI file, damaged, of type 2, without notes, or with two notes struck at once
        (no note can be cut out of a chord).
    """
    midi, seconds_per_tick = _parsed(path)
    reading = _Reading()
    last_seconds = 0.0
    for seconds, message in _messages_in_seconds(midi, seconds_per_tick):
        reading.take(seconds, message)
        last_seconds = seconds
        if len(reading.notes) > _MOST_NOTES:
            raise InputError(
                f"{path}: holds more than {_MOST_NOTES} notes; no session is that long."
            )
    reading.end(last_seconds)
    if not reading.notes:
        raise InputError(f"{path}: holds no notes; export the track that plays the session.")
    notes = sorted(reading.notes, key=lambda note: note.on_seconds)
    for index, (note, following) in enumerate(itertools.pairwise(notes)):
        if following.on_seconds - note.on_seconds < 0.02:
            raise InputError(
                f"{path}: notes {index} (key {note.key}) and {index + 1} (key {following.key}) are "
                f"struck together at {note.on_seconds:.3f} s; a session plays one note at a time."
            )
    return MidiPlan(
        sheet=reading.sheet(path.stem, notes, last_seconds), remarks=tuple(reading.remarks)
    )


def _parsed(path: Path) -> tuple[Any, float | None]:
    """Return mido's file, and seconds per tick where SMPTE time fixes it."""
    import mido

    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(f"{path}: too large for a MIDI file.")
        content = bytearray(path.read_bytes())
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}).") from error
    if len(content) < 14 or content[:4] != b"MThd":
        raise InputError(f"{path}: not a Standard MIDI File.")
    midi_type, _, division = struct.unpack(">HHH", content[8:14])
    if midi_type > 1:
        raise InputError(
            f"{path}: MIDI type {midi_type} holds separate songs; save it as type 0 or 1."
        )
    seconds_per_tick = None
    if division & 0x8000:
        seconds_per_tick = _smpte_seconds_per_tick(path, division)
        content[12:14] = struct.pack(">H", _TICKS_PER_QUARTER)  # mido knows only this kind
    elif division == 0:
        raise InputError(f"{path}: its header says 0 ticks per quarter note; export it again.")
    try:
        return mido.MidiFile(file=io.BytesIO(bytes(content)), clip=True), seconds_per_tick
    except (OSError, EOFError, ValueError, LookupError, TypeError, struct.error) as error:
        reason = str(error).splitlines()[0] if str(error) else "it ends too early"
        raise InputError(f"{path}: damaged MIDI file ({reason}); export it again.") from error


def _smpte_seconds_per_tick(path: Path, division: int) -> float:
    frames_a_second = 256 - (division >> 8)
    ticks_a_frame = division & 0xFF
    if frames_a_second not in (24, 25, 29, 30) or ticks_a_frame == 0:
        raise InputError(f"{path}: its header has an unknown SMPTE division; export it again.")
    rate = 30_000 / 1001 if frames_a_second == 29 else float(frames_a_second)
    return 1 / (rate * ticks_a_frame)


def _messages_in_seconds(midi: Any, seconds_per_tick: float | None) -> Iterator[tuple[float, Any]]:
    """Yield all messages of all tracks in order of time; tempo changes hold for every track."""
    timed = []
    for track in midi.tracks:
        tick = 0
        for message in track:
            tick += message.time
            timed.append((tick, _rank(message), message))
    tempo, seconds, last_tick = _DEFAULT_TEMPO, 0.0, 0
    for tick, _, message in sorted(timed, key=lambda event: event[:2]):
        scale = seconds_per_tick or tempo / 1e6 / midi.ticks_per_beat
        seconds += (tick - last_tick) * scale
        last_tick = tick
        if message.type == "set_tempo":
            tempo = message.tempo
        yield seconds, message


def _rank(message: Any) -> int:
    """Order messages of one tick: tempo and markers, note-offs, then note-ons."""
    if message.is_meta:
        return 0
    if message.type == "note_on" and message.velocity > 0:
        return 3
    return 1 if message.type in ("note_on", "note_off") else 2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Struck:
    key: int
    velocity: int
    patch: int
    role: NoteRole
    on_seconds: float
    off_seconds: float


@dataclass(slots=True)
class _Reading:
    """The state of the sixteen channels while a file is read."""

    notes: list[_Struck] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    patches: dict[tuple[int, int | None, int | None, int | None], int] = field(default_factory=dict)
    patch_names: list[str] = field(default_factory=list)
    patch_starts: list[float] = field(default_factory=list)
    calls: dict[int, dict[str, int]] = field(default_factory=dict)
    sounding: dict[tuple[int, int], tuple[float, int, int, NoteRole]] = field(default_factory=dict)
    marker: tuple[float, str] = (-1.0, "")
    patch_name: str | None = None

    def take(self, seconds: float, message: Any) -> None:
        if message.type == "marker":
            if message.text.startswith("patch: "):
                self.patch_name = message.text.removeprefix("patch: ")
            else:
                self.marker = (seconds, message.text)
        elif message.type == "control_change" and message.control in (0, 32):
            name = "bank_msb" if message.control == 0 else "bank_lsb"
            self.calls.setdefault(message.channel, {})[name] = message.value
        elif message.type == "program_change":
            self.calls.setdefault(message.channel, {})["program"] = message.program
        elif message.type == "note_on" and message.velocity > 0:
            self._strike(seconds, message)
        elif message.type in ("note_on", "note_off"):
            self._release(seconds, (message.channel, message.note))

    def _strike(self, seconds: float, message: Any) -> None:
        place = (message.channel, message.note)
        if place in self.sounding:
            self.remarks.append(
                f"key {message.note} is struck again at {seconds:.3f} s before it is let go"
            )
            self._release(seconds, place)
        role: NoteRole = "note"
        if self.marker[0] == seconds and self.marker[1] in ("sync", "reference"):
            role = "sync" if self.marker[1] == "sync" else "reference"
        self.sounding[place] = (
            seconds,
            message.velocity,
            self._patch(message.channel, seconds),
            role,
        )

    def _release(self, seconds: float, place: tuple[int, int]) -> None:
        if place not in self.sounding:
            return
        on_seconds, velocity, patch, role = self.sounding.pop(place)
        self.notes.append(
            _Struck(
                key=place[1],
                velocity=velocity,
                patch=patch,
                role=role,
                on_seconds=on_seconds,
                off_seconds=seconds,
            )
        )

    def _patch(self, channel: int, seconds: float) -> int:
        call = self.calls.get(channel, {})
        identity = (channel, call.get("bank_msb"), call.get("bank_lsb"), call.get("program"))
        if identity not in self.patches:
            self.patches[identity] = len(self.patches)
            self.patch_names.append(self.patch_name or "")
            self.patch_starts.append(seconds)
            self.patch_name = None
        return self.patches[identity]

    def end(self, last_seconds: float) -> None:
        for channel, key in sorted(self.sounding):
            self.remarks.append(f"key {key} is never let go")
            self._release(last_seconds + _LAST_NOTE_SECONDS, (channel, key))

    def sheet(self, name: str, notes: list[_Struck], last_seconds: float) -> SessionSheet:
        repeats: dict[tuple[NoteRole, int, int, int], int] = {}
        planned = []
        ends = [note.on_seconds for note in notes[1:]] + [float("inf")]
        for note, next_on in zip(notes, ends, strict=True):
            identity = (note.role, note.patch, note.key, note.velocity)
            repeats[identity] = repeats.get(identity, 0) + 1
            until = next_on if next_on < float("inf") else max(last_seconds, note.off_seconds)
            planned.append(
                PlannedNote(
                    role=note.role,
                    patch=note.patch,
                    key=note.key,
                    velocity=note.velocity,
                    round_robin=repeats[identity],
                    on_seconds=note.on_seconds,
                    off_seconds=note.off_seconds,
                    until_seconds=max(until, note.off_seconds),
                )
            )
        return SessionSheet(
            name=name,
            patches=self._patch_calls(name),
            patch_starts_seconds=tuple(self.patch_starts),
            notes=tuple(planned),
            duration_seconds=max(last_seconds, *(note.until_seconds for note in planned)),
            channel=min(identity[0] for identity in self.patches) + 1,
            transpose=0,
        )

    def _patch_calls(self, name: str) -> tuple[PatchCall, ...]:
        calls = []
        for (channel, msb, lsb, program), index in self.patches.items():
            title = self.patch_names[index] or (name if len(self.patches) == 1 else "")
            title = title or f"{name} channel {channel + 1} program {program or 0}"
            calls.append(PatchCall(name=title, program=program, bank_msb=msb, bank_lsb=lsb))
        return tuple(calls)


def _tick(seconds: float) -> int:
    return round(seconds * 1000)


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode("ascii")
