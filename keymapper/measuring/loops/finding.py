"""From one note to its loop verdict."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops.candidates import Bounds
from keymapper.measuring.loops.cost import Sustain, levelling_db
from keymapper.measuring.loops.crossfade import crossfade_seconds
from keymapper.measuring.loops.features import (
    BandPowers,
    masked_levels,
    measure_band_powers,
    wanted_length_seconds,
)
from keymapper.measuring.loops.flattening import find_flattening
from keymapper.measuring.loops.region import SustainRegion, find_region
from keymapper.measuring.loops.search import (
    LEAST_LEAD_SECONDS,
    SHORTEST_LONG_SECONDS,
    FoundLoop,
    find_long_loop,
    find_short_loop,
    measure_sustain,
)
from keymapper.model.loop import LoopOptions, LoopVerdict


CALM_REPETITION_DB = 0.5
MOST_CALMING = 0.6


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
    return _verdict(chosen, kind, region, sustain, bands if options.flatten else None)


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
    sustain: Sustain,
    bands: BandPowers | None,
) -> LoopVerdict:
    loop = found.loop
    rate = sustain.rate
    longest = loop.length_frames // 2
    if kind == "short":
        fade = longest
    else:
        fade = min(round(crossfade_seconds(found.correlation) * rate), longest)
    fade = max(0, min(fade, loop.start_frame - region.start_frame))
    flattening = None
    if bands is not None:
        if kind == "short":
            levelled = sustain.steady_trend_db * loop.length_frames / sustain.envelope.hop_frames
        else:
            at = sustain.envelope.index_at(np.array([loop.start_frame, loop.end_frame]))
            levelled = levelling_db(sustain, at[:1], at[1:])[0]
        flattening = find_flattening(levelled, bands, loop, fade, region.start_frame, rate)
    calming = 0.0
    if found.repetition_db > CALM_REPETITION_DB:
        calming = round(min(MOST_CALMING, 1 - CALM_REPETITION_DB / found.repetition_db), 3)
    return LoopVerdict(
        loop=loop,
        kind=kind,  # type: ignore[arg-type]
        reason="joins where waveform and movement match",
        correlation=round(found.correlation, 5),
        crossfade_frames=fade,
        flattening=flattening,
        calming_ratio=calming,
        movement_db=round(sustain.movement_db, 2),
    )
