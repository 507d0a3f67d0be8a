"""A finished loop listened to: baked as it will ship, and held against the levelled note.

What no estimate tells of a sustain too short to choose much from: what levelling, calming and
crossfade make of a loop together.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from keymapper.measuring.loops.baking import flattened, joined
from keymapper.measuring.loops.features import (
    HOP_SECONDS,
    BandPowers,
    Envelope,
    band_powers,
    masked_levels,
    measure_band_powers,
    uncut,
    wide_levels,
)
from keymapper.measuring.loops.likeness import YARDSTICK, measure_moments, unlikeness
from keymapper.measuring.loops.pitch_step import WINDOW_SECONDS, steps_cents
from keymapper.measuring.loops.region import SustainRegion
from keymapper.measuring.loops.sustain import LEAST_USUAL_DB, periodicity, reach_hops
from keymapper.measuring.loops.traits import (
    JUST_HEARD_WOBBLE_DB,
    cycling_db,
    loop_rate_lines,
    swing_db,
)
from keymapper.measuring.playing import played
from keymapper.model.loop import Loop, LoopVerdict

TAIL_SECONDS = 0.1
SETTLED_SECONDS = 0.4
JUST_HEARD_REPETITION_DB = 0.6
REPEATING_SECONDS = 0.08
#: A loop as short as this may be out of tune as a whole.
MISTUNED_SECONDS = 0.3
#: Half a window: so far beyond a moment its levels reach. Less far between start and end of a brief
#: loop lies what nearly is the join, and no proof that the note does the like by itself.
WINDOW_HOPS = 2
NATURAL_STRETCHES = 12
LEAST_RATIO = 1e-3


def audible_db(
    samples: np.ndarray,
    rate: int,
    region: SustainRegion,
    verdict: LoopVerdict,
    usual_cents: float,
) -> float:
    """Return how far the worst of a finished loop lies over what is heard, in dB; at least -60.

    The worst of: how unlike the note its join is, in third octaves and in wide bands; its step of
    pitch; its movement coming round; its swing at the rate of the loop. Each in parts of what the
    note does by itself, or of what is just heard, whichever is more.

    samples : float, shape (frames, channels), the note. verdict : with a loop.
    usual_cents : the steps of pitch that are usual in the note.
    """
    loop = verdict.loop
    assert loop is not None
    note = flattened(samples[: region.end_frame + round(TAIL_SECONDS * rate)], rate, verdict)
    audio = joined(note, rate, verdict)
    part = region.start_frame, region.end_frame
    cut = measure_band_powers(note, rate, *part, exactly_wide=True)
    bands = uncut(cut, rate)
    thirds, wide = masked_levels(bands), wide_levels(cut)
    joins = _joins(audio, rate, loop, cut, reach_hops(len(thirds.levels_db)))
    ratios = (
        _unlikeness(
            thirds, [masked_levels(uncut(join, rate), thirds.floor) for join in joins], loop
        ),
        _unlikeness(wide, [wide_levels(join, wide.floor) for join in joins], loop),
        _pitch_step_cents(audio, loop, rate) / usual_cents,
        *_going_round(audio, rate, loop, bands, thirds),
    )
    return 20 * math.log10(max(LEAST_RATIO, *ratios))


def _played(audio: np.ndarray, loop: Loop, first: int, last: int) -> np.ndarray:
    """Frames [first, last) of what a player makes, shape (frames, channels)."""
    return played(audio.T, loop.start_frame, loop.end_frame, first, last).T


def _powers(audio: np.ndarray, bands: BandPowers) -> BandPowers:
    powers = band_powers(audio, bands.window_frames, bands.hop_frames, bands.bins)
    return replace(bands, powers=powers)


def _joins(
    audio: np.ndarray, rate: int, loop: Loop, bands: BandPowers, reach: int
) -> list[BandPowers]:
    """Return what is around the join; around a later one too, once a short loop goes round."""
    first = loop.end_frame - reach * bands.hop_frames - bands.window_frames // 2
    last = first + 2 * reach * bands.hop_frames + bands.window_frames
    rounds = -(-round(SETTLED_SECONDS * rate) // loop.length_frames)
    passes = [0] if rounds == 1 else [0, rounds * loop.length_frames]
    return [_powers(_played(audio, loop, first + on, last + on), bands) for on in passes]


def _unlikeness(natural: Envelope, joins: list[Envelope], loop: Loop) -> float:
    """Return how unlike the note the worst of the joins is, in parts of what is usual."""
    moments = measure_moments(
        natural.levels_db,
        HOP_SECONDS,
        reach=reach_hops(len(natural.levels_db)),
        every=1,
        least_db=LEAST_USUAL_DB,
    )
    at = natural.index_at(np.array([loop.start_frame, loop.end_frame]))
    starts, ends = np.repeat(at[:, None], len(joins), axis=1)
    levels = np.stack([join.levels_db for join in joins])
    return float(unlikeness(moments, levels, starts, ends, apart_hops=WINDOW_HOPS).max())


def _pitch_step_cents(audio: np.ndarray, loop: Loop, rate: int) -> float:
    """Return the step of pitch at the join, or into a short loop, whichever is more."""
    window = round(WINDOW_SECONDS * rate)
    heard = [_played(audio, loop, loop.end_frame - window, loop.end_frame + window)]
    if loop.length_frames < MISTUNED_SECONDS * rate:
        settled = loop.end_frame + -(-2 * window // loop.length_frames) * loop.length_frames
        parts = [(loop.start_frame - window, loop.start_frame), (settled, settled + window)]
        heard.append(np.concatenate([_played(audio, loop, *part) for part in parts]))
    return float(_steps_cents(heard, rate).max())


def _steps_cents(pairs: list[np.ndarray], rate: int) -> np.ndarray:
    """Return the step of pitch from the first half to the second of each stretch of audio."""
    both = np.stack(pairs).swapaxes(1, 2)
    half = both.shape[2] // 2
    return np.asarray(np.abs(steps_cents(both[:, :, :half], both[:, :, half:], rate)))


def _going_round(
    audio: np.ndarray, rate: int, loop: Loop, bands: BandPowers, natural: Envelope
) -> tuple[float, float]:
    """Return how much of a loop's movement is heard coming round, and of its swing at its rate.

    Both in parts of what is heard.
    """
    seconds = loop.length_frames / rate
    if seconds < REPEATING_SECONDS:
        return 0.0, 0.0
    hops = round(loop.length_frames / bands.hop_frames)
    first = loop.end_frame + loop.length_frames
    last = first + (hops - 1) * bands.hop_frames + bands.window_frames
    levels = masked_levels(_powers(_played(audio, loop, first, last), bands), natural.floor)
    moved = np.sqrt(np.mean((levels.levels_db - levels.levels_db.mean(axis=0)) ** 2))
    repeats = periodicity(natural.levels_db)
    heard_db = float(cycling_db(moved, np.array(hops), np.array(seconds), repeats))
    lines = loop_rate_lines(hops)
    threshold = math.hypot(JUST_HEARD_WOBBLE_DB, YARDSTICK * _usual_swing_db(natural, lines))
    return heard_db / JUST_HEARD_REPETITION_DB, swing_db(lines @ levels.levels_db) / threshold


def _usual_swing_db(natural: Envelope, lines: np.ndarray) -> float:
    """Return the swing that nearly all stretches of a note keep under, less their own drift."""
    times, levels = lines.shape[1], natural.levels_db
    if times < 2 or len(levels) < times:
        return 0.0
    ramp = np.linspace(0, 1, times, dtype=levels.dtype)[:, None]
    firsts = np.unique(np.linspace(0, len(levels) - times, NATURAL_STRETCHES).astype(int))
    parts = [levels[first : first + times] for first in firsts]
    own = [swing_db(lines @ (part - ramp * (part[-1] - part[0]))) for part in parts]
    return float(np.percentile(own, 90))
