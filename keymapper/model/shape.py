"""The ways in which a note may be kept in less memory."""

from __future__ import annotations

from dataclasses import dataclass

from keymapper.model.loop import LoopVerdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One way to keep the length of a note: in full, with an earlier loop, without its tail."""

    frames: int
    """Of the sample as it would be written, at the note's own rate."""
    loop: LoopVerdict
    loss_db: float = 0.0
    """How differently it sounds from the note in full."""
    about: str = ""
    """In words, for example "short loops"; empty for the note in full."""
