"""The `bext` chunk, version 2 (EBU Tech 3285): who made a WAV, when, out of what, how loud."""

from __future__ import annotations

import struct
import unicodedata
from dataclasses import dataclass

from keymapper.model.loudness import Loudness

_HEAD = struct.Struct("<256s32s32s10s8sQH64s5h180x")
_NOT_MEASURED = 0x7FFF
_LARGEST_HISTORY = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class BextFields:
    """What is written into the chunk."""

    description: str
    originator: str
    reference: str
    date: str
    """As 2026-11-25; "" where it is not known."""
    coding: str
    """A line for the coding history, without its end."""
    loudness: Loudness | None


def bext_body(fields: BextFields, before: bytes = b"") -> bytes:
    """Return the body of a `bext` chunk.

    before : the body of a chunk that was there: its date and time, time reference, UMID and coding
    history are kept, and `coding` is added to the history.
    """
    old = _HEAD.unpack(before[: _HEAD.size]) if len(before) >= _HEAD.size else None
    history = before[_HEAD.size :].rstrip(b"\0 \r\n") if old else b""
    line = _ascii(fields.coding)
    if line not in history.split(b"\r\n"):
        history = history + b"\r\n" * bool(history) + line
    date, time = _ascii(fields.date), b""
    if old and old[3].strip(b"\0 "):
        date, time = old[3], old[4]
    head = _HEAD.pack(
        _ascii(fields.description),
        _ascii(fields.originator),
        _ascii(fields.reference),
        date,
        time,
        old[5] if old else 0,
        2,
        old[7] if old and old[6] >= 1 else b"",
        *_loudness(fields.loudness),
    )
    return head + history[-_LARGEST_HISTORY:] + b"\r\n"


def _loudness(loudness: Loudness | None) -> tuple[int, ...]:
    """Return value, range, true peak, momentary and short-term as hundredths."""
    if loudness is None:
        return (_NOT_MEASURED,) * 5
    return tuple(
        _NOT_MEASURED if value is None else max(-32768, min(_NOT_MEASURED - 1, round(value * 100)))
        for value in (
            loudness.integrated_lufs,
            loudness.range_lu,
            loudness.true_peak_dbtp,
            loudness.momentary_lufs,
            loudness.short_term_lufs,
        )
    )


def _ascii(text: str) -> bytes:
    """Return a text in the only letters the chunk knows, accents taken off."""
    plain = "".join(
        letter
        for letter in unicodedata.normalize("NFKD", text)
        if not unicodedata.combining(letter) and letter.isprintable()
    )
    return plain.encode("ascii", "replace")
