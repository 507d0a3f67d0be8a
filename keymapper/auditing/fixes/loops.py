"""Find a loop that needs no change of the audio: the work of one process for one file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from keymapper.auditing.fixes.plan import WantedLoop
from keymapper.auditing.rules.loops import audible
from keymapper.auditing.sound.loop_judging import judged_loop
from keymapper.errors import InputError
from keymapper.formats.audio_file import read_audio
from keymapper.measuring.centring import centred
from keymapper.measuring.loops import find_loop
from keymapper.model.loop import Loop, LoopMode, LoopOptions

LEAST_GAIN_DB = 3.0
INAUDIBLE_DB = 0.0
BAD_DB = 99.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopOrder:
    """One file to be looped."""

    path: Path
    wanted: WantedLoop


def mended_loop(order: LoopOrder) -> Loop | None:
    """Return the least audible loop of a sample; None where none is better than what is there.

    A sample without any loop is left so unless one is found that the audit would let pass.

    Candidates are what was written, with its ends moved to where the wave matches best, and what
    the search for loops finds. The audio is played as it is: there is no crossfade to hide a join.
    """
    try:
        audio = read_audio(order.path)
    except InputError:
        return None
    rate = audio.info.rate
    samples = centred(audio.samples, rate)
    f0_hz = order.wanted.f0_hz
    usable = [
        loop
        for loop in order.wanted.candidates
        if 0 < loop.start_frame < loop.end_frame <= len(samples)
    ]
    nothing_db = BAD_DB if order.wanted.candidates else audible.limit + LEAST_GAIN_DB
    before = min((_cost(samples, rate, loop, f0_hz) for loop in usable), default=nothing_db)
    searched = [*usable, *_searched(samples, rate, f0_hz)]
    found = [_matched(samples, rate, loop, f0_hz) for loop in searched]
    best = min(found + usable, key=lambda loop: _cost(samples, rate, loop, f0_hz), default=None)
    if best is None:
        return None
    cost = _cost(samples, rate, best, f0_hz)
    return best if best in usable or cost < before - LEAST_GAIN_DB else None


def _searched(samples: np.ndarray, rate: int, f0_hz: float | None) -> list[Loop]:
    loops = []
    modes: tuple[LoopMode, ...] = ("long", "short")
    for mode in modes:
        options = LoopOptions(mode=mode, flatten=False)
        verdict = find_loop(samples, rate, f0_hz=f0_hz, options=options)
        if verdict.loop is not None:
            loops.append(verdict.loop)
    return loops


def _cost(samples: np.ndarray, rate: int, loop: Loop, f0_hz: float | None) -> float:
    judged = judged_loop(samples, rate, loop, f0_hz)
    if judged.join is None:
        return BAD_DB
    mistuned = 0.0 if judged.mistuned_cents is None else abs(judged.mistuned_cents)
    return max(judged.join.worst_db, INAUDIBLE_DB) + 2 * max(0.0, mistuned - 1.0)


def _matched(samples: np.ndarray, rate: int, loop: Loop, f0_hz: float | None) -> Loop:
    """Move the end to where what follows is most like what follows the start.

    Normalised correlation over about two periods, within one and a half periods around.
    """
    period = round(rate / f0_hz) if f0_hz else round(0.005 * rate)
    width, reach = 2 * period, round(1.5 * period)
    first, last = loop.end_frame - reach, loop.end_frame + reach
    half = width // 2
    if loop.start_frame < half or first - half <= loop.start_frame:
        return loop
    pattern = samples[loop.start_frame - half : loop.start_frame + half].mean(axis=1)
    last = min(last, len(samples) - half)
    if last <= first or len(pattern) < 4:
        return loop
    around = samples[first - half : last + half].mean(axis=1)
    views = np.lib.stride_tricks.sliding_window_view(around, len(pattern))
    norms = np.sqrt(np.einsum("ij,ij->i", views, views) * float(pattern @ pattern))
    likeness = views @ pattern / np.maximum(norms, 1e-12)
    return Loop(start_frame=loop.start_frame, end_frame=first + int(np.argmax(likeness)))
