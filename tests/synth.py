"""Synthesizer notes made from exact truths.

`make_tone(kind, f0_hz, ...)` renders one note of a kind of patch; `KINDS` lists the kinds.
Everything is a pure function of its arguments: the same seed gives the same sound.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.synth_parts import (
    Patch,
    Tone,
    Voice,
    adsr,
    cycles,
    finish,
    fm,
    harmonic_sum,
    low_pass,
    make_voice,
    orders,
    saw_wave,
    stack,
    strike,
)


def saw(voice: Voice) -> Patch:
    return Patch(sound=saw_wave(voice, voice.f0_hz, 10 ** voice.between(3, 4.2)) * adsr(voice))


def square(voice: Voice) -> Patch:
    order = orders(voice)
    amplitudes = (order % 2) / order
    return Patch(sound=harmonic_sum(cycles(voice.f0_hz, voice), amplitudes) * adsr(voice))


def pulse(voice: Voice) -> Patch:
    order, width = orders(voice), voice.between(0.05, 0.45)
    amplitudes = np.sin(np.pi * order * width) / order
    return Patch(sound=harmonic_sum(cycles(voice.f0_hz, voice), amplitudes) * adsr(voice))


def triangle(voice: Voice) -> Patch:
    order = orders(voice)
    amplitudes = np.sin(np.pi * order / 2) / order**2
    return Patch(sound=harmonic_sum(cycles(voice.f0_hz, voice), amplitudes) * adsr(voice))


def sine(voice: Voice) -> Patch:
    return Patch(sound=np.sin(2 * np.pi * cycles(voice.f0_hz, voice)) * adsr(voice, 0.01))


def analogue(voice: Voice) -> Patch:
    """A saw whose pitch drifts steadily; the truth is the pitch in the middle."""
    slope = voice.between(-6, 6)
    middle = voice.times[-1] / 2
    frequency = voice.f0_hz * 2 ** (slope * (voice.times - middle) / 1200)
    sound = saw_wave(voice, frequency, 10 ** voice.between(3, 4))
    return Patch(sound=sound * adsr(voice), facts={"drift_cents_per_second": slope})


def organ(voice: Voice) -> Patch:
    """Additive organ whose fundamental is 30 dB down."""
    levels = np.zeros(len(orders(voice)))
    for order in (2, 3, 4, 6, 8):
        if order <= len(levels):
            levels[order - 1] = voice.between(0.3, 1.0)
    levels[0] = 0.03 if len(levels) > 2 else 1.0
    return Patch(sound=harmonic_sum(cycles(voice.f0_hz, voice), levels) * adsr(voice, 0.01))


def drawbars(voice: Voice) -> Patch:
    """Additive organ with bars at 8, 4, 2 2/3, 2 feet and so on, key click included."""
    levels = np.zeros(len(orders(voice)))
    for order in (1, 2, 3, 4, 5, 6, 8):
        if order <= len(levels):
            levels[order - 1] = voice.between(0, 1) ** 1.5
    levels[0] = max(levels[0], 0.3)
    sound = harmonic_sum(cycles(voice.f0_hz, voice), levels)
    return Patch(sound=sound * adsr(voice, 0.003) + 0.3 * voice.noise() * strike(voice, 0.004))


def fm_reed(voice: Voice) -> Patch:
    index = voice.between(0.5, 2.5) * (0.6 + 0.4 * np.minimum(1, voice.times / 0.1))
    ratio = float(voice.rng.choice([1.0, 2.0]))
    return Patch(sound=fm(voice, ratio, index) * adsr(voice, 0.03))


def fm_piano(voice: Voice) -> Patch:
    decay = np.exp(-voice.times / voice.between(0.8, 2.0))
    tine = fm(voice, 14.0 if voice.f0_hz < 900 else 4.0, voice.between(0.2, 0.6) * decay**4)
    body = fm(voice, 1.0, voice.between(0.5, 1.5) * decay**2)
    return Patch(sound=(tine + body) * decay * adsr(voice, 0.002))


def fm_bell(voice: Voice) -> Patch:
    decay = np.exp(-voice.times / voice.between(1.0, 2.5))
    return Patch(sound=fm(voice, 1.414, voice.between(0.8, 2.5) * decay**1.5) * decay)


def fm_clang(voice: Voice) -> Patch:
    """Frequency modulation at an odd ratio: the pitch is anybody's guess."""
    decay = np.exp(-voice.times / voice.between(0.5, 2.5))
    index = voice.between(0.5, 3.5) * decay ** voice.between(0, 2)
    sound = fm(voice, voice.between(0.55, 3.65), index, voice.between(0, 6))
    return Patch(sound=sound * decay, ambiguous=True)


def pluck(voice: Voice) -> Patch:
    """A plucked string with slightly stretched partials, damped more the higher they are."""
    stretch = 10 ** voice.between(-6, -4.3)
    damping = voice.between(0.3, 1.2) * (voice.f0_hz / 220) ** 0.5
    order = orders(voice)[:60]
    frequency = order * voice.f0_hz * np.sqrt((1 + stretch * order**2) / (1 + stretch))
    place = voice.between(0.08, 0.4)
    sound = np.zeros(len(voice.times))
    for k, f_hz in zip(order, frequency, strict=True):
        if f_hz < 0.46 * voice.rate_hz:
            level = np.sin(np.pi * k * place) / k
            decay = np.exp(-voice.times * damping * (1 + 0.02 * k**2))
            sound += level * decay * np.sin(2 * np.pi * f_hz * voice.times)
    return Patch(sound=sound, facts={"inharmonicity": stretch})


def noise_pad(voice: Voice) -> Patch:
    tone = saw_wave(voice, voice.f0_hz, 1500.0)
    noise = voice.noise() * np.std(tone) * 10 ** (voice.between(-12, 2) / 20)
    return Patch(sound=(tone + noise) * adsr(voice, 0.2))


def two_saws(voice: Voice) -> Patch:
    sound = stack(voice, np.array([-6.0, 6.0]), np.ones(2)) * adsr(voice)
    return Patch(sound=sound, facts={"detuning_width_cents": 12.0})


def seven_saws(voice: Voice) -> Patch:
    width = voice.between(6, 25)
    cents = width * np.array([-1, -0.63, -0.25, 0, 0.25, 0.63, 1])
    levels = np.array([0.7, 0.7, 0.7, 1.0, 0.7, 0.7, 0.7])
    return Patch(sound=stack(voice, cents, levels) * adsr(voice))


def vibrato(voice: Voice) -> Patch:
    """A saw whose vibrato sets in after a while."""
    rate, depth = voice.between(4.5, 7), voice.between(10, 40)
    onset = np.clip((voice.times - voice.between(0.2, 0.6)) / voice.between(0.1, 0.5), 0, 1)
    swing = depth * onset * np.sin(2 * np.pi * rate * voice.times + voice.between(0, 6))
    sound = saw_wave(voice, voice.f0_hz * 2 ** (swing / 1200), 10 ** voice.between(3, 4))
    facts = {"vibrato_hz": rate, "vibrato_depth_cents": depth}
    return Patch(sound=sound * adsr(voice), facts=facts)


def pwm(voice: Voice) -> Patch:
    """A pulse whose falling edge swings around the steady rising one."""
    rate = voice.between(0.5, 2.0)
    lfo = np.sin(2 * np.pi * rate * voice.times + voice.between(0, 6))
    width = 0.5 + voice.between(0.1, 0.4) * lfo
    order = orders(voice)
    phase = cycles(voice.f0_hz, voice)
    levels = low_pass(order, voice.f0_hz, 6000.0) / order
    sound = harmonic_sum(phase, levels) - harmonic_sum(phase - width, levels)
    return Patch(sound=sound * adsr(voice))


def chorus(voice: Voice) -> Patch:
    """A saw with a copy whose delay swings, differently left and right."""
    order = orders(voice)
    levels = low_pass(order, voice.f0_hz, 4000.0) / order
    rate, depth = voice.between(0.6, 1.0), voice.between(0.001, 0.003)
    start = voice.between(0, 6)
    phase = cycles(voice.f0_hz, voice)
    sides = [phase]
    for quarter in (0.0, np.pi / 2):
        delay = 0.012 + depth * np.sin(2 * np.pi * rate * voice.times + start + quarter)
        sides.append(phase - voice.f0_hz * delay)
    dry, left, right = (harmonic_sum(side, levels) for side in sides)
    return Patch(sound=np.stack([dry + left, dry + right], axis=1) * adsr(voice)[:, None])


def sweep(voice: Voice) -> Patch:
    """A saw through a resonant filter that opens or closes over the whole note."""
    low, high = 10 ** voice.between(2, 2.6), 10 ** voice.between(3.4, 4)
    if voice.rng.random() < 0.5:
        low, high = high, low
    cutoff = np.maximum(low * (high / low) ** (voice.times / voice.times[-1]), 1.2 * voice.f0_hz)
    order = orders(voice)[:60]
    gains = low_pass(order, voice.f0_hz, cutoff, voice.between(0.3, 2)) / order[:, None]
    return Patch(sound=harmonic_sum(cycles(voice.f0_hz, voice), gains) * adsr(voice))


def filter_pluck(voice: Voice) -> Patch:
    """A saw through a filter that closes in the first tenths of a second."""
    cutoff = voice.f0_hz * (1.5 + voice.between(3, 20) * np.exp(-voice.times / 0.15))
    order = orders(voice)[:60]
    gains = low_pass(order, voice.f0_hz, cutoff, 0.7) / order[:, None]
    decay = np.exp(-voice.times / voice.between(0.8, 3.0))
    return Patch(sound=harmonic_sum(cycles(voice.f0_hz, voice), gains) * decay)


def sample_and_hold(voice: Voice) -> Patch:
    """A saw through a filter that jumps to a random place six times a second."""
    steps = np.floor(voice.times * 6).astype(int)
    places = 10 ** voice.rng.uniform(2.5, 3.8, steps.max() + 1)
    cutoff = np.maximum(np.convolve(places[steps], np.ones(480) / 480, mode="same"), voice.f0_hz)
    order = orders(voice)[:60]
    gains = low_pass(order, voice.f0_hz, cutoff, 1.0) / order[:, None]
    return Patch(sound=harmonic_sum(cycles(voice.f0_hz, voice), gains) * adsr(voice))


def sub_oscillator(voice: Voice) -> Patch:
    """A saw with a square an octave below: the octave is a matter of taste."""
    order = orders(voice)
    phase = cycles(voice.f0_hz, voice)
    sub = harmonic_sum(phase / 2, (order % 2) / order)
    level = 10 ** (voice.between(-12, 0) / 20)
    sound = harmonic_sum(phase, 1 / order) + level * sub
    return Patch(sound=sound * adsr(voice), ambiguous=True)


def sync(voice: Voice) -> Patch:
    """A hard-synced oscillator: harmonics under a bump that need not hold the fundamental."""
    order, bump = orders(voice), voice.between(1.5, 6)
    levels = (0.05 + np.exp(-0.5 * ((order - bump) / 1.2) ** 2) + 0.3 / order) / (1 + order / 20)
    return Patch(sound=harmonic_sum(cycles(voice.f0_hz, voice), levels) * adsr(voice))


def octave_up(voice: Voice) -> Patch:
    """A saw with a louder or softer one an octave above."""
    order = orders(voice)
    phase = cycles(voice.f0_hz, voice)
    level = 10 ** (voice.between(-12, 6) / 20)
    upper = harmonic_sum(2 * phase, 1 / order[: max(1, len(order) // 2)])
    return Patch(sound=(harmonic_sum(phase, 1 / order) + level * upper) * adsr(voice))


def fifth(voice: Voice) -> Patch:
    """A saw with another a fifth above: their common period is an octave below the key."""
    phase = cycles(voice.f0_hz, voice)
    order = orders(voice)
    upper = harmonic_sum(1.5 * phase, 1 / order[: max(1, len(order) * 2 // 3)])
    level = voice.between(0.5, 1)
    sound = (harmonic_sum(phase, 1 / order) + level * upper) * adsr(voice)
    return Patch(sound=sound, ambiguous=True)


def glide(voice: Voice) -> Patch:
    """A saw that falls a fifth onto its pitch in the first 80 ms."""
    cents = 700 * np.clip(1 - voice.times / 0.08, 0, 1)
    sound = saw_wave(voice, voice.f0_hz * 2 ** (cents / 1200), 4000.0)
    return Patch(sound=sound * adsr(voice), facts={"glide_cents": 700.0, "settle_seconds": 0.08})


def resonant(voice: Voice) -> Patch:
    """A saw whose filter rings on one of its harmonics."""
    order = orders(voice)
    peak = float(voice.rng.integers(2, 9)) * voice.f0_hz
    gains = low_pass(order, voice.f0_hz, peak, voice.between(2, 8)) / order
    return Patch(sound=harmonic_sum(cycles(voice.f0_hz, voice), gains) * adsr(voice))


KINDS: dict[str, Callable[[Voice], Patch]] = {
    patch.__name__: patch
    for patch in (
        saw, square, pulse, triangle, sine, analogue, organ, drawbars, fm_reed, fm_piano, fm_bell,
        fm_clang, pluck, noise_pad, two_saws, seven_saws, vibrato, pwm, chorus, sweep,
        filter_pluck, sample_and_hold, sub_oscillator, sync, octave_up, fifth, glide, resonant,
    )
}  # fmt: skip


def make_tone(
    kind: str, f0_hz: float, *, seconds: float = 4.0, rate_hz: float = 48000.0, seed: int = 0
) -> Tone:
    """Render one note of a kind listed in `KINDS`."""
    voice = make_voice(f0_hz, seconds, rate_hz, seed)
    return finish(KINDS[kind](voice), voice, kind)
