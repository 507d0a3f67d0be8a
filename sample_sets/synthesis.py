"""The parts every demo sound is made of, each as imperfect as an instrument and its cables are.

Conventions: mono signals are float64 arrays shaped (frames,), recordings (frames, channels), full
scale 1.0. Everything random comes from the generator handed in, so a seed fixes every byte; only
uniform numbers are drawn, whose stream NumPy keeps.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]
CONTROL_FRAMES = 64
QUIETEST_PARTIAL_RATIO = 1e-4


def generator(*seed: int) -> np.random.Generator:
    """Return the random stream that belongs to these whole numbers."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed)))


def key_to_hz(key: float) -> float:
    """Return the frequency of a MIDI key at A4 = 440 Hz."""
    return float(440.0 * 2.0 ** ((key - 69.0) / 12.0))


def drift_cents(rng: np.random.Generator, seconds: Signal, depth_cents: float) -> Signal:
    """Return the slow wander of an analogue oscillator: three slow sines of random rate."""
    rates_hz = rng.uniform(0.07, 0.9, 3)
    phases = rng.uniform(0.0, 1.0, 3)
    waves = np.sin(2 * np.pi * (rates_hz[:, None] * seconds + phases[:, None]))
    return np.asarray(depth_cents / 3.0 * waves.sum(axis=0))


def cycles_of(fundamental_hz: float, cents: Signal, rate_hz: int, start: float) -> Signal:
    """Return the running phase, in cycles, of an oscillator that wanders by `cents`."""
    frequency_hz = np.round(fundamental_hz * 2.0 ** (cents / 1200.0), 9)
    return start + np.cumsum(frequency_hz) / rate_hz


def lowpass_gain(ratio: Signal, resonance: float) -> Signal:
    """Return the magnitude of two equal two-pole low-passes at frequency / cutoff = `ratio`."""
    return np.asarray(1.0 / np.hypot(1.0 - ratio**2, ratio / resonance) ** 2)


def filtered_partials(
    cycles: Signal, weights: Signal, harmonics_to_cutoff: Signal, resonance: float
) -> Signal:
    """Return a band-limited oscillator behind a moving low-pass, one sine a partial.

    `harmonics_to_cutoff` is fundamental / cutoff for every frame; partials the filter leaves
    below -80 dB are not computed. Use only `weights` that lie below half the sample rate.
    """
    coarse = np.arange(0, len(cycles) + CONTROL_FRAMES, CONTROL_FRAMES)
    ratio = np.interp(coarse, np.arange(len(cycles)), harmonics_to_cutoff)
    turn = np.exp(2j * np.pi * cycles)
    power = np.ones_like(turn)
    sound = np.zeros(len(cycles))
    for number, weight in enumerate(weights, start=1):
        power *= turn
        gain = weight * lowpass_gain(number * ratio, resonance)
        if gain.max() > QUIETEST_PARTIAL_RATIO:
            sound += np.interp(np.arange(len(cycles)), coarse, gain) * power.imag
    return sound


def saw_weights(fundamental_hz: float, rate_hz: int) -> Signal:
    """Return the partials of a saw wave up to 0.45 of the sample rate."""
    numbers = np.arange(1, int(0.45 * rate_hz / fundamental_hz) + 1)
    return np.asarray(1.0 / numbers)


def pulse_weights(fundamental_hz: float, rate_hz: int, width: float) -> Signal:
    """Return the partials of a pulse wave of this width (0.5 is a square wave)."""
    numbers = np.arange(1, int(0.45 * rate_hz / fundamental_hz) + 1)
    return np.asarray(np.sin(np.pi * numbers * width) / numbers)


def held_envelope(seconds: Signal, attack: float, off: float, release: float) -> Signal:
    """Return a smooth rise from 0 s, a level hold, and a fall to -60 dB `release` after `off`."""
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(seconds / attack, 0.0, 1.0))
    return np.asarray(rise * np.exp(-6.9 * np.clip(seconds - off, 0.0, None) / release))


def chorus(dry: Signal, rate_hz: int, lfo_hz: float, start: float) -> Signal:
    """Return the sound mixed with a copy whose delay sways by 1.2 ms around 9 ms."""
    frames = np.arange(len(dry))
    sway = np.sin(2 * np.pi * (lfo_hz * frames / rate_hz + start))
    wet = np.interp(frames - rate_hz * (0.009 + 0.0012 * sway), frames, dry, left=0.0)
    return 0.7 * dry + 0.5 * wet


def band_noise(
    rng: np.random.Generator, frames: int, low_ratio: float, high_ratio: float
) -> Signal:
    """Return noise of RMS 1 between two shares of the sample rate, with soft edges."""
    spectrum = np.fft.rfft(rng.uniform(-1.0, 1.0, frames))
    position = np.fft.rfftfreq(frames)
    spectrum *= 1.0 / (1.0 + (position / high_ratio) ** 4)
    spectrum *= 1.0 - 1.0 / (1.0 + (position / low_ratio) ** 4)
    noise = np.fft.irfft(spectrum, frames)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def through_the_cable(
    rng: np.random.Generator, channels: Sequence[Signal], rate_hz: int, dc: Sequence[float]
) -> Signal:
    """Return the recording: each channel with hiss near -80 dBFS, mains hum near -86, and DC."""
    frames = len(channels[0])
    hum = np.sin(2 * np.pi * (50.0 * np.arange(frames) / rate_hz + rng.uniform(0.0, 1.0)))
    recorded = [
        sound + 1.7e-4 * rng.uniform(-1.0, 1.0, frames) + 7e-5 * hum + offset
        for sound, offset in zip(channels, dc, strict=True)
    ]
    return np.stack(recorded, axis=1)


def to_16_bit(rng: np.random.Generator, recording: Signal) -> NDArray[np.int16]:
    """Return the recording as 16-bit integers, with triangular dither of one step.

    All channels share the dither, so that equal channels stay equal.
    """
    frames = (len(recording), 1)
    dither = rng.uniform(-0.5, 0.5, frames) + rng.uniform(-0.5, 0.5, frames)
    steps = np.floor(recording * 32768.0 + dither + 0.5)
    return np.clip(steps, -32768, 32767).astype(np.int16)
