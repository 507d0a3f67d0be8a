"""Building blocks of sounds made from exact truths.

Frequencies are exact by construction: oscillators are sums of harmonics of one phase.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
MOST_HARMONICS = 160
HIGHEST_HZ = 19000.0
PEAK = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Voice:
    """What to play: pitch, time axis in seconds, and a random source of its own."""

    f0_hz: float
    rate_hz: float
    times: Array
    rng: np.random.Generator

    def between(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def noise(self) -> Array:
        return self.rng.standard_normal(len(self.times))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tone:
    """A rendered note, float64, shape (frames, channels), and what is true of it."""

    samples: Array
    rate_hz: float
    kind: str
    f0_hz: float | None
    ambiguous: bool = False
    facts: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """What a patch returns: one or two channels, and facts beside the pitch."""

    sound: Array
    pitched: bool = True
    ambiguous: bool = False
    facts: dict[str, float] = field(default_factory=dict)


def cycles(frequency_hz: Array | float, voice: Voice, start: float = 0.0) -> Array:
    """Phase in cycles of a frequency that may move; exact for a constant one."""
    if isinstance(frequency_hz, float):
        return start + frequency_hz * voice.times
    steps = np.concatenate([[0.0], np.cumsum(frequency_hz[:-1])]) / voice.rate_hz
    return np.asarray(start + steps)


def harmonic_count(f0_hz: float, rate_hz: float) -> int:
    return max(1, min(MOST_HARMONICS, int(min(HIGHEST_HZ, 0.46 * rate_hz) / f0_hz)))


def harmonic_sum(phase: Array, amplitudes: Array) -> Array:
    """Sum of a_k sin(2 pi k phase), k from 1; amplitudes (count,) or (count, frames)."""
    turn = np.exp(2j * np.pi * np.mod(phase, 1.0))
    total = np.zeros(len(phase), dtype=np.complex128)
    for amplitude in amplitudes[::-1]:
        total += amplitude
        total *= turn
    return np.asarray(total.imag)


def orders(voice: Voice) -> Array:
    return np.arange(1, harmonic_count(voice.f0_hz, voice.rate_hz) + 1)


def low_pass(order: Array, f0_hz: float, cutoff_hz: Array | float, resonance: float = 0.5) -> Array:
    """Complex gain of a resonant 12 dB low-pass at each harmonic, (count,) or (count, frames)."""
    ratio = order[:, None] * f0_hz / np.atleast_1d(cutoff_hz)
    gain = 1 / (1 - ratio**2 + 1j * ratio / (0.5 + 2 * resonance))
    return gain if np.ndim(cutoff_hz) else gain[:, 0]


def adsr(voice: Voice, attack: float = 0.004, release: float = 0.0) -> Array:
    """A short rise, and a fade over the last ``release`` seconds."""
    level = np.minimum(1.0, voice.times / attack)
    if release:
        level = level * np.clip((voice.times[-1] - voice.times) / release, 0, 1)
    return level


def saw_wave(voice: Voice, frequency_hz: Array | float, cutoff_hz: float = 9000.0) -> Array:
    order = orders(voice)
    amplitudes = low_pass(order, voice.f0_hz, cutoff_hz) / order
    return harmonic_sum(cycles(frequency_hz, voice, voice.between(0, 1)), amplitudes)


def strike(voice: Voice, seconds: float) -> Array:
    return np.exp(-voice.times / seconds)


def fm(voice: Voice, ratio: float, index: Array | float, start: float = 0.0) -> Array:
    turn = 2 * np.pi * voice.f0_hz * voice.times
    return np.sin(turn + start + index * np.sin(ratio * turn))


def stack(voice: Voice, cents: Array, levels: Array) -> Array:
    cutoff = 10 ** voice.between(3.2, 4.1)
    parts = [
        level * saw_wave(voice, float(voice.f0_hz * 2 ** (c / 1200)), cutoff)
        for c, level in zip(cents, levels, strict=True)
    ]
    return np.sum(parts, axis=0)


def make_voice(f0_hz: float, seconds: float, rate_hz: float, seed: int) -> Voice:
    times = np.arange(round(seconds * rate_hz)) / rate_hz
    return Voice(f0_hz=f0_hz, rate_hz=rate_hz, times=times, rng=np.random.default_rng(seed))


def finish(patch: Patch, voice: Voice, kind: str) -> Tone:
    """Scale a patch's sound to half of full scale and state its truths."""
    sound = patch.sound if patch.sound.ndim == 2 else patch.sound[:, None]
    return Tone(
        samples=sound * (PEAK / max(float(np.abs(sound).max()), 1e-12)),
        rate_hz=voice.rate_hz,
        kind=kind,
        f0_hz=voice.f0_hz if patch.pitched else None,
        ambiguous=patch.ambiguous,
        facts=patch.facts,
    )
