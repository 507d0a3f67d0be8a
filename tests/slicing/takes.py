"""Small takes in memory for the tests of slicing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from keymapper.model.session import PatchCall, PlannedNote, SessionSheet
from keymapper.slicing.hearing import HeardTake, hear_take
from tests.session_takes import PATCHES, Recording, RenderedTake, render_take


class ArrayTake:
    """A take that lies in memory."""

    def __init__(self, samples: np.ndarray, rate_hz: int) -> None:
        self.samples = samples.astype(np.float32)
        self.rate_hz = rate_hz
        self.channels = samples.shape[1]

    def blocks(self, block_frames: int) -> Iterator[np.ndarray]:
        for start in range(0, len(self.samples), block_frames):
            yield self.samples[start : start + block_frames]

    def read(self, first_frame: int, end_frame: int) -> np.ndarray:
        return self.samples[max(0, first_frame) : max(0, end_frame)]


def sheet_of(
    keys: Sequence[int],
    velocities: Sequence[int] = (100,),
    spacing: float = 1.6,
    hold: float = 0.8,
    uneven: bool = True,
) -> SessionSheet:
    """Return a plan of every key and velocity."""
    notes, now = [], 1.0
    for number, (key, velocity) in enumerate((k, v) for k in keys for v in velocities):
        notes.append(
            PlannedNote(
                role="note",
                patch=0,
                key=key,
                velocity=velocity,
                round_robin=1,
                on_seconds=now,
                off_seconds=now + hold,
                until_seconds=now + spacing,
            )
        )
        now = round(now + spacing + (0.02 * ((number * 5) % 7) if uneven else 0.0), 3)
    return SessionSheet(
        name="Lamplight",
        patches=(PatchCall(name="Lamplight"),),
        patch_starts_seconds=(0.0,),
        notes=tuple(notes),
        duration_seconds=now,
        channel=1,
        transpose=0,
    )


def played(sheet: SessionSheet, patch: str, how: Recording) -> tuple[RenderedTake, HeardTake]:
    """Return a rendered take and what is heard of it."""
    take = render_take(sheet.notes, PATCHES[patch], how)
    return take, hear_take(ArrayTake(take.samples, take.rate_hz))
