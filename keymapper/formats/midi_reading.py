"""The state of a MIDI file while it is read: what sounds, on which patch, since when."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from keymapper.model.session import NoteRole, PatchCall, PlannedNote, SessionSheet

_LAST_NOTE_SECONDS = 2.0
"""How long a note that is never let go, at the end of a file, is taken to be held."""

_PatchIdentity = tuple[int, int | None, int | None, int | None, int]
"""Channel, bank (coarse and fine) and program, and how many patches were named before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StruckNote:
    """A note as it was struck and let go."""

    key: int
    velocity: int
    patch: int
    role: NoteRole
    on_seconds: float
    off_seconds: float


@dataclass(slots=True)
class MidiReading:
    """The state of the sixteen channels while a file is read."""

    notes: list[StruckNote] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    patches: dict[_PatchIdentity, int] = field(default_factory=dict)
    patch_names: list[str] = field(default_factory=list)
    patch_starts: list[float] = field(default_factory=list)
    calls: dict[int, dict[str, int]] = field(default_factory=dict)
    sounding: dict[tuple[int, int], tuple[float, int, int, NoteRole]] = field(default_factory=dict)
    marker: tuple[float, str] = (-1.0, "")
    patch_name: str | None = None
    patch_marks: int = 0
    """How many patches were named so far; two may be alike on the wire, and changed by hand."""

    def take(self, seconds: float, message: Any) -> None:
        """Follow one message."""
        if message.type == "marker":
            if message.text.startswith("patch: "):
                self.patch_name = message.text.removeprefix("patch: ")
                self.patch_marks += 1
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
            StruckNote(
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
        numbers = call.get("bank_msb"), call.get("bank_lsb"), call.get("program")
        identity = (channel, *numbers, self.patch_marks)
        if identity not in self.patches:
            self.patches[identity] = len(self.patches)
            self.patch_names.append(self.patch_name or "")
            self.patch_starts.append(seconds)
            self.patch_name = None
        return self.patches[identity]

    def end(self, last_seconds: float) -> None:
        """Let go of what still sounds at the end of the file."""
        for channel, key in sorted(self.sounding):
            self.remarks.append(f"key {key} is never let go")
            self._release(last_seconds + _LAST_NOTE_SECONDS, (channel, key))

    def sheet(self, name: str, notes: list[StruckNote], last_seconds: float) -> SessionSheet:
        """Return the struck notes, in order of time, as a session sheet."""
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
        for (channel, msb, lsb, program, _), index in self.patches.items():
            title = self.patch_names[index] or (name if len(self.patches) == 1 else "")
            title = title or f"{name} channel {channel + 1} program {program or 0}"
            calls.append(PatchCall(name=title, program=program, bank_msb=msb, bank_lsb=lsb))
        return tuple(calls)
