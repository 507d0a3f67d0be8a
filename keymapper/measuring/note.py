"""All that can be found out about one note from its sound."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.centring import centred
from keymapper.measuring.course import course, level_envelope
from keymapper.measuring.levels import measured_levels
from keymapper.measuring.loops.region import find_region
from keymapper.measuring.pitch import measure_pitch
from keymapper.measuring.sides import measured_channels
from keymapper.measuring.tone import tone
from keymapper.model.instrument import Measurement


def measured_note(
    samples: np.ndarray,
    rate: int,
    *,
    reference_hz: float = 440.0,
    note_off_frame: int | None = None,
) -> Measurement:
    """Return pitch, course, levels, channels and tone of a note.

    samples : float, shape (frames, channels), full scale 1.0, at least one frame.
    note_off_frame : where the key was let go, where known; else that is found.
    """
    free_of_dc = centred(samples, rate)
    region = find_region(free_of_dc, rate, note_off_frame)
    sustains = region.refusal is None
    envelope = level_envelope(free_of_dc, rate)
    times = course(free_of_dc, envelope, region.end_frame if sustains else None, sustains)
    return Measurement(
        pitch=measure_pitch(free_of_dc, rate, reference_hz=reference_hz),
        course=times,
        levels=measured_levels(samples, rate, times, envelope.noise_floor_dbfs),
        channels=measured_channels(free_of_dc),
        tone=tone(free_of_dc, rate, times),
    )
