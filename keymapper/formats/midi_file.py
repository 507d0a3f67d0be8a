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
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from keymapper.errors import InputError
from keymapper.formats.midi_reading import MidiReading, StruckNote
from keymapper.formats.small_file import read_small_file
from keymapper.model.session import SessionSheet

_TICKS_PER_QUARTER = 960
_MICROSECONDS_PER_QUARTER = 960_000
_DEFAULT_TEMPO = 500_000
_MOST_BYTES = 64 << 20
_MOST_NOTES = 200_000


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
    reading, last_seconds = _read(path)
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


def read_midi_notes(path: Path) -> tuple[StruckNote, ...]:
    """Return the notes of a Standard MIDI File, chords and all, in order of time and key.

    Raises
    ------
    InputError
        Not a MIDI file, damaged, of type 2, or without notes.
    """
    reading, _ = _read(path)
    return tuple(sorted(reading.notes, key=lambda note: (note.on_seconds, note.key)))


def _read(path: Path) -> tuple[MidiReading, float]:
    """Return what a file does, and when its last event is."""
    midi, seconds_per_tick = _parsed(path)
    reading = MidiReading()
    last_seconds = 0.0
    for seconds, message in _messages_in_seconds(midi, seconds_per_tick):
        reading.take(seconds, message)
        last_seconds = seconds
        if len(reading.notes) > _MOST_NOTES:
            raise InputError(f"{path}: holds more than {_MOST_NOTES} notes; no file is that long.")
    reading.end(last_seconds)
    if not reading.notes:
        raise InputError(f"{path}: holds no notes; export the track that plays something.")
    return reading, last_seconds


def _parsed(path: Path) -> tuple[Any, float | None]:
    """Return mido's file, and seconds per tick where SMPTE time fixes it."""
    import mido

    content = bytearray(read_small_file(path, _MOST_BYTES, "a MIDI file"))
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
        return mido.MidiFile(file=io.BytesIO(bytes(content))), seconds_per_tick
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
        yield round(seconds, 9), message


def _rank(message: Any) -> int:
    """Order messages of one tick: tempo and markers, note-offs, then note-ons."""
    if message.is_meta:
        return 0
    if message.type == "note_on" and message.velocity > 0:
        return 3
    return 1 if message.type in ("note_on", "note_off") else 2


def _tick(seconds: float) -> int:
    return round(seconds * 1000)


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode("ascii")
