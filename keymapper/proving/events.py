"""What happens while the player plays, and how it is set.

Times are frames of the output. ``random_ratio`` of a note is the number in [0, 1) that ``lorand``
and ``hirand`` are compared with: the player draws none itself, so that a rendering repeats.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from keymapper.model.loop import Loop

RoundRobinCounting = Literal["key", "match"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteOn:
    """A key goes down."""

    at_frame: int
    key: int
    velocity: int = 100
    random_ratio: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteOff:
    """A key goes up."""

    at_frame: int
    key: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ControllerMove:
    """A controller takes a value in 0..127; notes read it when they start."""

    at_frame: int
    controller: int
    value: float


Event = NoteOn | NoteOff | ControllerMove


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlayerSample:
    """A decoded sample: float32, shape (frames, 1 or 2); its own loop (half-open) and root."""

    samples: np.ndarray
    rate: int
    loop: Loop | None = None
    root_key: int | None = None


STARTING_CONTROLLERS = {7: 100.0, 10: 64.0, 11: 127.0}
"""Volume, pan and expression where nobody sets them, as MIDI wants it; all others start at 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerSettings:
    """How the player stands where the format leaves room.

    ``fall_db`` is how far decay and release fall within their time: players take 60 or 78 dB,
    69 lies between. ``round_robin_counting`` says what moves a round robin on: every note in the
    region's key range ("key"), or only those whose velocity matches too ("match"); players do
    either. ``controllers`` are the values at the start, ``curves`` what ``<curve>`` headers say.
    ``last_switch`` is the key switch that was played last (None: what ``sw_default`` says),
    ``held_switches`` those that are down; ``key_offset`` is what ``note_offset`` and
    ``octave_offset`` move switches by that the reader leaves as they are written.
    """

    rate: int = 48_000
    fall_db: float = 69.0
    round_robin_counting: RoundRobinCounting = "key"
    controllers: Mapping[int, float] = field(default_factory=dict)
    curves: Mapping[int, tuple[tuple[int, float], ...]] = field(default_factory=dict)
    last_switch: int | None = None
    held_switches: frozenset[int] = frozenset()
    key_offset: int = 0
