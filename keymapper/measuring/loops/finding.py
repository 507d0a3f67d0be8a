"""From one note to its loop verdict."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from keymapper.errors import UsageError
from keymapper.measuring.loops.audition import audible_db
from keymapper.measuring.loops.candidates import Bounds
from keymapper.measuring.loops.drift import measure_drift, steady_trend_db
from keymapper.measuring.loops.features import (
    BandPowers,
    measure_band_powers,
    own_levels,
    wanted_length_seconds,
)
from keymapper.measuring.loops.flattening import find_flattening
from keymapper.measuring.loops.pitch_step import usual_step_cents
from keymapper.measuring.loops.region import SustainRegion, find_region
from keymapper.measuring.loops.search import (
    AUDITIONED_SECONDS,
    FoundLoop,
    find_long_loops,
    given_loop,
)
from keymapper.measuring.loops.short import (
    SHORTEST_SECONDS,
    as_short,
    find_other_short_loops,
    find_short_loops,
)
from keymapper.measuring.loops.sustain import Sustain, measure_sustain
from keymapper.model.loop import Loop, LoopKind, LoopOptions, LoopVerdict

LEAST_LEAD_SECONDS = 0.005
SHORTEST_LONG_SECONDS = 0.1
SHORT_ADVANTAGE = 5.0
LEAST_SHORT_CORRELATION = 0.86
SHORT_ADVANTAGE_A_SECOND = 1.5
CALM_REPETITION_DB = 0.3
MOST_CALMING = 0.85
#: Over this much movement a sound is a rhythm; calming would take it away.
RHYTHM_DB = 6.0
#: Of tones under this, levels seen at 43 ms sway with single periods.
LOWEST_CALMED_HZ = 50.0
HARDLY_HEARD_DB = -2.5
UNHEARD_DB = -6.0
FROZEN_DB = 3.0
COST_DB = 0.1
LENGTH_TOLERANCE = 0.02
LENGTH_TOLERANCE_SECONDS = 0.02
DOUBTFUL_COST = 4.5
ENOUGH_SUSTAIN_SECONDS = 2.0
SETTLED_SECONDS, SETTLED_SHARE = 0.6, 0.3
"""Where less of the sustain has settled, its beginning is better than no choice."""
#: Of sustains as brief as this, whose every moment differs, more loops are worth listening to.
BRIEF_SECONDS = 0.6
DEFAULT = LoopOptions()


def find_loop(
    samples: np.ndarray,
    rate: int,
    *,
    f0_hz: float | None = None,
    note_off_frame: int | None = None,
    settled_frame: int = 0,
    options: LoopOptions = DEFAULT,
) -> LoopVerdict:
    """Return whether and where a note loops, and how its crossfade is to be baked.

    Candidates come from waveform correlation and from comparing the band levels of every pair of
    times; one cost of waveform, envelope, drift, wobble, repetition and length chooses, so that
    whole beats, chorus and vibrato periods come out of it. Of a short sustain, whose best may still
    be heard, the cheapest are finished and listened to. Deterministic.

    samples : float, shape (frames, channels), full scale 1.0; at the rate it will ship at.
    f0_hz : fundamental, where known: short loops then keep to a whole number of its periods.
    note_off_frame : where the key was let go, where known: the sustain ends no later than there.
    settled_frame : from where on the note moves as it goes on to, where known: a loop that went
        back behind a late vibrato would stop it with every pass.

    Returns kind "none" with the reason for what decays, is silent or too short.
    Raises UsageError for a given loop outside the note.
    """
    if options.given is not None:
        return _given_verdict(samples, rate, f0_hz, (note_off_frame, settled_frame), options)
    if options.mode == "none":
        return _no_loop("looping is switched off")
    region = find_region(samples, rate, note_off_frame)
    if region.refusal is not None:
        return _no_loop(region.refusal)
    region = _settled(region, settled_frame, rate)
    samples = np.ascontiguousarray(samples, dtype=np.float32)
    bands = measure_band_powers(samples, rate, region.start_frame, region.end_frame)
    sustain = measure_sustain(bands, rate, f0_hz)
    levelled = bands if options.flatten else None
    promising = _promising(samples, sustain, region, f0_hz, options)
    verdicts = ((found, _verdict(found, region, sustain, f0_hz, levelled)) for found in promising)
    if region.seconds(rate) < AUDITIONED_SECONDS:
        best = _least_heard(verdicts, samples, rate, region)
    else:
        best = next((verdict for _, verdict in verdicts), None)
    return best or _no_loop(_what_is_missing(options))


def _settled(region: SustainRegion, settled_frame: int, rate: int) -> SustainRegion:
    settled = replace(region, start_frame=max(region.start_frame, settled_frame))
    enough = max(SETTLED_SECONDS, SETTLED_SHARE * region.seconds(rate))
    return settled if settled.seconds(rate) >= enough else region


def _promising(
    samples: np.ndarray,
    sustain: Sustain,
    region: SustainRegion,
    f0_hz: float | None,
    options: LoopOptions,
) -> Iterator[FoundLoop]:
    """Yield loops, the one that promises most first, as long as somebody asks for more.

    A short one freezes the note: it must promise to be so much better than a long one that lives.
    """
    seconds = region.seconds(sustain.rate)
    advantage = SHORT_ADVANTAGE + SHORT_ADVANTAGE_A_SECOND * seconds
    late: list[tuple[float, FoundLoop]] = []
    if options.mode == "long":
        bounds = _bounds(sustain.movement_db, region, sustain.rate, options.length_seconds)
        for found in find_long_loops(samples, sustain, region, bounds, f0_hz):
            if options.length_seconds is not None or found.cost <= advantage:
                yield found
            else:
                late.append((found.cost, found))
        if options.length_seconds is not None:
            return
    short = find_short_loops(samples, sustain, region, f0_hz)
    fair = [found for found in short if found.correlation >= LEAST_SHORT_CORRELATION]
    late += [(found.cost + advantage, found) for found in fair]
    yield from (found for _, found in sorted(late, key=lambda one: one[0]))
    yield from (found for found in short if found.correlation < LEAST_SHORT_CORRELATION)
    if seconds < BRIEF_SECONDS:
        yield from find_other_short_loops(samples, sustain, region, f0_hz)


def _what_is_missing(options: LoopOptions) -> str:
    if options.mode == "long" and options.length_seconds is not None:
        return f"no loop of {options.length_seconds:g} s fits into its sustain"
    return "its sustain is too short"


def _least_heard(
    verdicts: Iterable[tuple[FoundLoop, LoopVerdict]],
    samples: np.ndarray,
    rate: int,
    region: SustainRegion,
) -> LoopVerdict | None:
    """Return the verdict whose finished loop is heard least, of those up to one hardly heard.

    What is not heard anyway weighs nothing; a frozen loop must be heard so much less.
    """
    best, least = None, math.inf
    usual_cents = usual_step_cents(samples[region.start_frame : region.end_frame].T, rate)
    for found, verdict in verdicts:
        heard = audible_db(samples, rate, region, verdict, usual_cents)
        weighed = max(heard, UNHEARD_DB) + COST_DB * found.cost
        weighed += FROZEN_DB if found.kind == "short" else 0.0
        if weighed < least:
            best, least = verdict, weighed
        if heard <= HARDLY_HEARD_DB:
            break
    return best


def _no_loop(reason: str) -> LoopVerdict:
    return LoopVerdict(loop=None, kind="none", reason=reason)


def _given_verdict(
    samples: np.ndarray,
    rate: int,
    f0_hz: float | None,
    frames: tuple[int | None, int],
    options: LoopOptions,
) -> LoopVerdict:
    """Take the user's loop as it is, and finish it as if it had been found.

    frames : the note-off, where it is known, and where the note has settled.
    """
    given, (note_off_frame, settled_frame) = options.given, frames
    assert given is not None
    lead = round(0.001 * rate)
    if not lead <= given.start_frame < given.end_frame <= len(samples):
        raise UsageError(
            f"the loop {given.start_frame}..{given.end_frame} must start at frame {lead} or later "
            f"and end within the note's {len(samples)} frames"
        )
    samples = np.ascontiguousarray(samples, dtype=np.float32)
    found = find_region(samples, rate, note_off_frame)
    if found.refusal is None:
        found = _settled(found, settled_frame, rate)
    region = SustainRegion(
        onset_frame=found.onset_frame,
        start_frame=min(found.start_frame, given.start_frame - lead),
        end_frame=max(found.end_frame, given.end_frame),
        refusal=None,
    )
    bands = measure_band_powers(samples, rate, region.start_frame, region.end_frame)
    sustain = measure_sustain(bands, rate, f0_hz)
    bounds = _bounds(sustain.movement_db, region, rate, given.length_frames / rate)
    loop = given_loop(samples, sustain, given, bounds, f0_hz)
    if SHORTEST_SECONDS * rate <= given.length_frames < SHORTEST_LONG_SECONDS * rate:
        loop = as_short(loop, region)
    verdict = _verdict(loop, region, sustain, f0_hz, bands if options.flatten else None)
    return replace(verdict, kind="given", reason="the loop is the recipe's")


def _bounds(
    movement: float, region: SustainRegion, rate: int, length_seconds: float | None
) -> Bounds:
    seconds = region.seconds(rate)
    shortest, longest = SHORTEST_LONG_SECONDS, seconds
    wanted = wanted_length_seconds(movement, seconds)
    if length_seconds is not None:
        reach = max(LENGTH_TOLERANCE_SECONDS, LENGTH_TOLERANCE * length_seconds)
        wanted = length_seconds
        shortest, longest = length_seconds - reach, length_seconds + reach
    return Bounds(
        first_frame=region.start_frame,
        first_start=region.start_frame + round(LEAST_LEAD_SECONDS * rate),
        last_end=region.end_frame,
        shortest_frames=max(1, round(shortest * rate)),
        longest_frames=round(longest * rate),
        wanted_frames=max(1, round(wanted * rate)),
    )


def _verdict(
    found: FoundLoop,
    region: SustainRegion,
    sustain: Sustain,
    f0_hz: float | None,
    bands: BandPowers | None,
) -> LoopVerdict:
    loop, kind, rate, fade = found.loop, found.kind, sustain.rate, found.fade_frames
    flattening = None
    if bands is not None:
        levelled = _levelled_db(sustain, loop, kind)
        flattening = find_flattening(levelled, bands, loop, fade, region.start_frame, rate)
    doubtful = found.cost > DOUBTFUL_COST and kind != "short"
    return LoopVerdict(
        loop=loop,
        kind=kind,
        reason=_reason(kind),
        correlation=round(found.correlation, 5),
        crossfade_frames=fade,
        flattening=flattening,
        calming_ratio=_calming_ratio(found, sustain, f0_hz) if kind == "long" else 0.0,
        movement_db=round(sustain.movement_db, 2),
        doubtful=doubtful,
        advice=_advice(region.seconds(rate)) if doubtful else None,
    )


def _levelled_db(sustain: Sustain, loop: Loop, kind: LoopKind) -> np.ndarray:
    """Return the drift over one pass to be taken out, one value a view and band.

    Of every band by itself: what masking lends to a weak band drifts as its strong neighbour does.
    """
    levels = own_levels(sustain.bands).levels_db
    if kind == "short":
        hops = loop.length_frames / sustain.envelope.hop_frames
        return steady_trend_db(levels) * hops
    at = sustain.envelope.index_at(np.array([loop.start_frame, loop.end_frame]))
    return np.asarray(measure_drift(levels).levelled_db(at[:1], at[1:])[0])


def _calming_ratio(found: FoundLoop, sustain: Sustain, f0_hz: float | None) -> float:
    if found.repetition_db <= CALM_REPETITION_DB or sustain.movement_db > RHYTHM_DB:
        return 0.0
    if f0_hz is not None and f0_hz < LOWEST_CALMED_HZ:
        return 0.0
    return round(min(MOST_CALMING, 1 - CALM_REPETITION_DB / found.repetition_db), 3)


def _reason(kind: LoopKind) -> str:
    if kind == "short":
        return "one short stretch holds better than any longer loop of so little sustain"
    return "waveform and movement match where it joins"


def _advice(sustain_seconds: float) -> str:
    missing = ENOUGH_SUSTAIN_SECONDS - sustain_seconds
    if missing > 0:
        return f"record {max(0.5, missing):.1f} s more of sustain"
    return "record a longer or steadier sustain, or choose the loop by hand"
