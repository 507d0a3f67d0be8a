"""The parts of a take that tell how a slow note begins, and what the fits need of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from keymapper.channels import less_means
from keymapper.slicing.background import HUM_PARTIALS
from keymapper.slicing.course import FloatArray, TakeAudio
from keymapper.slicing.growth import CoarseNote
from keymapper.slicing.levels import Levels
from keymapper.slicing.onset import GUARD_SECONDS
from keymapper.slicing.partials import HIGHEST_HZ, Partials, partials_of
from keymapper.slicing.timing import Asked

_FINE_HZ, ROUGH_HZ = 6_000, 4_000
"""Least rates: to see a frame, and to draw a line through key-downs."""
_EVERY_PARTIAL_HZ = round(2.2 * HIGHEST_HZ)
"""A rate at which no partial is lost."""
_ABOVE_PARTIALS = 2.5
"""A frame is seen at a rate of at least so many times the highest partial."""
_FASTEST_DECAY = 40.0
"""Nepers a second."""
_TAIL_SHARE, _TAIL_IN_NOISE = 5e-4, 0.5
"""Softer than these shares of the held note, and of the noise, a partial of the tail is nothing."""
_SEEN_SECONDS, _SHORTLY_SEEN_SECONDS, _LEAST_SEEN_SECONDS = 0.5, 0.25, 0.1
"""Looked at for the first audible frame, after key-down; of notes held shortly, less: in what there
is of their hold, beats are not told from single partials, and bend these."""
_LONGER_SEEN = 1.6
"""So many times what it takes to stand out of the noise, where that takes long."""
_RISEN_SHARE, _RISEN_BLOCKS = 0.6, 20
"""Risen to this share of how strong it is held, over so many blocks, a note may end to rise."""
_HOLD_SECONDS, _HOLD_SHARE = 2.0, 0.7
_LONG_HELD_SECONDS, _LEAST_HELD_SECONDS = 1.0, 0.5
_PAST_SECONDS, _LEAST_PAST_SECONDS = 0.25, 0.06
_TAIL_SECONDS = 0.8
"""Looked at for what the tail is made of."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beginning:
    """The parts of a take that tell how a note begins, each of shape (frames, channels)."""

    stretch: FloatArray
    """First without the note, then its start."""
    key_down_frame: int
    """Of the stretch: where the key is expected to go down."""
    quiet_frames: int
    """Of the stretch: so many are surely without the note."""
    hold: FloatArray
    before: FloatArray
    """What sounds until the note may begin."""
    rate_hz: int
    hum_hz: float | None
    seen_seconds: float = _SEEN_SECONDS
    """So long after key-down the note is fitted to see when it becomes audible; it still rises."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sounding:
    """What is held, and what it and the sound before it are made of."""

    factor: int
    """A frame of the hold for every so many of the take."""
    hold: FloatArray
    partials: Partials
    tail: Partials


def is_held_long(asked: Asked) -> bool:
    """Say whether a note is held for long enough to tell what it is made of."""
    return asked.off_seconds - asked.expected_seconds >= _LONG_HELD_SECONDS


def beginning_of(
    take: TakeAudio,
    levels: Levels,
    asked: Asked,
    hum_hz: float | None,
    reach_seconds: float = GUARD_SECONDS,
    *,
    may_be_short: bool = False,
) -> Beginning | None:
    """Return the beginning of a note whose key went down within reach of when it was asked for.

    may_be_short : it need not be held for long; enough to see it where the clock line is known.

    None where it is held too shortly, or too little of the take is there, to tell.
    """
    expected, rate = asked.expected_seconds, take.rate_hz
    held = asked.off_seconds - expected
    least = _LEAST_HELD_SECONDS if may_be_short else _LONG_HELD_SECONDS
    if held < least or expected < _LEAST_PAST_SECONDS + reach_seconds:
        return None

    def part(from_seconds: float, to_seconds: float) -> FloatArray:
        read = take.read(round(max(0.0, from_seconds) * rate), round(to_seconds * rate))
        return less_means(read, levels.course.offset)

    quiet = round((expected - reach_seconds) * rate)
    start, first = (
        max(0, quiet - round(seconds * rate)) for seconds in (_TAIL_SECONDS, _PAST_SECONDS)
    )
    seen_seconds = _seen_seconds(levels, asked)
    read = part(start / rate, expected + reach_seconds + max(_SEEN_SECONDS, seen_seconds))
    beginning = Beginning(
        stretch=read[first - start :],
        key_down_frame=round(expected * rate) - first,
        quiet_frames=quiet - first,
        hold=part(asked.off_seconds - min(_HOLD_SECONDS, _HOLD_SHARE * held), asked.off_seconds),
        before=read[: quiet - start],
        seen_seconds=seen_seconds,
        rate_hz=rate,
        hum_hz=hum_hz,
    )
    there_seconds = (len(beginning.stretch) - beginning.key_down_frame) / rate
    is_there = there_seconds > reach_seconds + _LEAST_SEEN_SECONDS and len(beginning.hold) > 0
    return beginning if is_there else None


def _seen_seconds(levels: Levels, asked: Asked) -> float:
    """Return for how long after key-down a note tells how it begins: it rises steadily."""
    expected, off = asked.expected_seconds, asked.off_seconds
    noise, tail = levels.noise_before(expected), levels.tails_before(np.array([expected]))[0]
    held = levels.mean_power(0.5 * (expected + off), off) - noise
    power = levels.smooth_power(expected, off, _RISEN_BLOCKS) - max(noise, tail)

    def first(least: float) -> float:
        risen = np.flatnonzero(power >= least)
        return float(risen[0] * levels.course.block_seconds) if len(risen) else off - expected

    usual = _SEEN_SECONDS if is_held_long(asked) else _SHORTLY_SEEN_SECONDS
    most = max(usual, _LONGER_SEEN * first(max(noise, tail)))
    return min(most, max(_LEAST_SEEN_SECONDS, first(_RISEN_SHARE**2 * held)))


def fine_note(beginning: Beginning) -> CoarseNote | None:
    """Return what the fits need of a note, at the least rate that shows all there is to fit."""
    sounding = _sounding(beginning, _EVERY_PARTIAL_HZ)
    partials, tail = sounding.partials, sounding.tail.above(_softest(sounding.partials))
    highest = max(float(some.hz.max(initial=0.0)) for some in (partials, tail))
    return coarse_note(beginning, max(_FINE_HZ, round(_ABOVE_PARTIALS * highest)), sounding)


def _sounding(beginning: Beginning, least_hz: int) -> _Sounding:
    """Return what the hold, and what sounds before the note, are made of, as seen at a rate."""
    factor = max(1, beginning.rate_hz // least_hz)
    hold, before = (_coarse(part, factor) for part in (beginning.hold, beginning.before))
    partials, tail = (partials_of(part, beginning.rate_hz / factor) for part in (hold, before))
    return _Sounding(factor=factor, hold=hold, partials=partials, tail=tail)


def _softest(partials: Partials) -> float:
    """Return the amplitude below which a partial of the tail is nothing beside those of a note."""
    return _TAIL_SHARE * float(partials.amplitudes.sum())


def _coarse(part: FloatArray, factor: float) -> FloatArray:
    """Return a frame for every so many."""
    import soxr

    return np.asarray(soxr.resample(part, factor, 1).reshape(-1, part.shape[1]), np.float64)


def coarse_note(
    beginning: Beginning, least_hz: int, sounding: _Sounding | None = None
) -> CoarseNote | None:
    """Return what the fits need of a note, or None where its hold has no partials.

    sounding : as seen at a higher rate.
    """
    sounding = sounding or _sounding(beginning, least_hz)
    partials = sounding.partials
    if len(partials.hz) == 0:
        return None
    factor = max(1, beginning.rate_hz // least_hz)
    rate = beginning.rate_hz / factor
    stretch = _coarse(beginning.stretch, factor)
    quiet = beginning.quiet_frames // factor
    power = np.mean(stretch[:quiet] ** 2, axis=1) + 1e-20
    early, late = (float(half.mean()) for half in np.array_split(power, 2))
    high_power = float(
        np.mean(beginning.stretch[: beginning.quiet_frames] ** 2, dtype=np.float64) - power.mean()
    )
    softest = max(_softest(partials), _TAIL_IN_NOISE * math.sqrt(max(0.0, high_power)))
    hum = beginning.hum_hz
    return CoarseNote(
        samples=stretch,
        factor=factor,
        rate_hz=rate,
        seconds=np.arange(len(stretch)) / rate - beginning.key_down_frame / beginning.rate_hz,
        quiet_seconds=(beginning.quiet_frames - beginning.key_down_frame) / beginning.rate_hz,
        hold=_coarse(sounding.hold, factor / sounding.factor),
        partials=partials,
        tail=sounding.tail.above(softest),
        tail_decay=float(np.clip(math.log(early / late) / (quiet / rate), 0, _FASTEST_DECAY)),
        hum_hz=np.zeros(0) if hum is None else hum * np.array(HUM_PARTIALS),
        high_power=max(0.0, high_power),
    )
