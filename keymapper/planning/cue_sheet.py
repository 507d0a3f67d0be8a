"""What a person reads: how long a session takes, what it fills, and what to play when."""

from __future__ import annotations

from keymapper.model.keys import key_name
from keymapper.model.session import SessionSheet
from keymapper.wording import printable

_WAV_HEADER_BYTES = 44


def take_bytes(duration_seconds: float, rate_hz: int, bits: int, channels: int) -> int:
    """Return how many bytes a WAV take of that length fills."""
    return round(duration_seconds * rate_hz) * channels * (bits // 8) + _WAV_HEADER_BYTES


def cue_sheet(sheet: SessionSheet) -> str:
    """Return the session as lines of text for someone who plays it by hand."""
    lines = [
        printable(sheet.name),
        f"{len(sheet.notes)} notes, {clock_time(sheet.duration_seconds)} from start to end.",
        "Keys are the ones to press (60 = C4). Wait for silence before the next note.",
    ]
    patch = -1
    for index, note in enumerate(sheet.notes):
        if note.patch != patch:
            patch = note.patch
            lines += [
                "",
                _patch_line(sheet, patch),
                _row("no.", "at", "key", "velocity", "hold", ""),
            ]
        key = note.key + sheet.transpose
        hold = f"{note.off_seconds - note.on_seconds:.2f} s"
        role: str = "" if note.role == "note" else note.role
        if note.role == "note" and note.round_robin > 1:
            role = f"repeat {note.round_robin}"
        at = clock_time(note.on_seconds)
        lines.append(_row(str(index), at, f"{key} {key_name(key)}", str(note.velocity), hold, role))
    return "\n".join(lines) + "\n"


def clock_time(seconds: float) -> str:
    """Return seconds as ``h:mm:ss.s``, without the hours where there are none."""
    tenths = round(seconds * 10)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    tail = f"{minutes:02d}:{rest // 10:02d}.{rest % 10}"
    return f"{hours}:{tail}" if hours else tail


def _patch_line(sheet: SessionSheet, patch: int) -> str:
    call = sheet.patches[patch]
    numbers = {"bank": call.bank_msb, "bank, fine": call.bank_lsb, "program": call.program}
    shown = [f"{name} {number}" for name, number in numbers.items() if number is not None]
    return f"Patch: {printable(call.name)}" + (
        f" ({', '.join(shown)}, counted from 0)" if shown else ""
    )


def _row(*cells: str) -> str:
    widths = (5, 11, 9, 9, 9, 0)
    return " ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)).rstrip()
