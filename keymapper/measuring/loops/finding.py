"""From one note to its loop verdict."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops.candidates import Bounds
from keymapper.measuring.loops.crossfade import crossfade_seconds
from keymapper.measuring.loops.features import (
    masked_levels,
    measure_band_powers,
    wanted_length_seconds,
)
from keymapper.measuring.loops.flattening import find_flattening, flatten
from keymapper.measuring.loops.region import SustainRegion, find_region
from keymapper.measuring.loops.search import (
    LEAST_LEAD_SECONDS,
    SHORTEST_LONG_SECONDS,
    FoundLoop,
    find_long_loop,
    find_short_loop,
    measure_sustain,
)
from keymapper.model.loop import Flattening, LoopOptions, LoopVerdict


def find_loop(
    samples: np.ndarray,
    rate: int,
    *,
    f0_hz: float | None = None,
    note_off_frame: int | None = None,
    options: LoopOptions = LoopOptions(),  # noqa: B008 - frozen
) -> LoopVerdict:
    """Return whether and where a note loops, and how to bake it."""
    if options.mode == "none" and options.given is None:
        return LoopVerdict(loop=None, kind="none", reason="looping is switched off")
    samples = np.asarray(samples, dtype=np.float32)
    region = find_region(samples, rate, note_off_frame)
    if region.refusal is not None:
        return LoopVerdict(loop=None, kind="none", reason=region.refusal)
    bands = measure_band_powers(samples, rate, region.start_frame, region.end_frame)
    flattening = find_flattening(bands, rate) if options.flatten else None
    if flattening is not None:
        samples = flatten(samples, rate, flattening, region.end_frame)
        bands = measure_band_powers(samples, rate, flattening.start_frame, region.end_frame)
        region = SustainRegion(
            onset_frame=region.onset_frame,
            start_frame=flattening.start_frame,
            end_frame=region.end_frame,
            refusal=None,
        )
    sustain = measure_sustain(masked_levels(bands), rate)
    bounds = _bounds(sustain.movement_db, region, rate)
    long = find_long_loop(samples, sustain, region, bounds) if options.mode == "long" else None
    short = find_short_loop(samples, sustain, region, f0_hz)
    if long is None or (short is not None and long.cost > 1 + short.cost):
        chosen, kind = short, "short"
    else:
        chosen, kind = long, "long"
    if chosen is None:
        return LoopVerdict(loop=None, kind="none", reason="its sustain is too short")
    return _verdict(chosen, kind, region, sustain.movement_db, flattening, rate)


def _bounds(movement: float, region: SustainRegion, rate: int) -> Bounds:
    seconds = region.seconds(rate)
    return Bounds(
        first_start=region.start_frame + round(LEAST_LEAD_SECONDS * rate),
        last_end=region.end_frame,
        shortest_frames=round(SHORTEST_LONG_SECONDS * rate),
        longest_frames=region.end_frame - region.start_frame,
        wanted_frames=round(wanted_length_seconds(movement, seconds) * rate),
    )


def _verdict(
    found: FoundLoop,
    kind: str,
    region: SustainRegion,
    movement: float,
    flattening: Flattening | None,
    rate: int,
) -> LoopVerdict:
    loop = found.loop
    longest = loop.length_frames // 2
    if kind == "short":
        fade = longest
    else:
        fade = min(round(crossfade_seconds(found.correlation) * rate), longest)
    fade = max(0, min(fade, loop.start_frame - region.start_frame))
    return LoopVerdict(
        loop=loop,
        kind=kind,  # type: ignore[arg-type]
        reason="joins where waveform and movement match",
        correlation=round(found.correlation, 5),
        crossfade_frames=fade,
        flattening=flattening,
        movement_db=round(movement, 2),
    )
