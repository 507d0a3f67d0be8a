"""Notes that behave like acoustic and electric instruments, made from exact truths.

Struck and plucked strings (stretched, damped, beating), bars, reeds, flutes, brass, voices, pipes,
and sounds without pitch. The truth is the frequency of the first partial.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.measuring.pitch.struck_tones import (
    band_noise,
    bar,
    bass_string,
    cymbal,
    distorted,
    drum,
    electric_piano,
    guitar,
    harp,
    noise,
    piano,
    plucked_keyboard,
    room,
    tremolo_bar,
)
from tests.synth_parts import (
    Array,
    Patch,
    Tone,
    Voice,
    cycles,
    finish,
    harmonic_sum,
    low_pass,
    make_voice,
    orders,
)


def wavering(voice: Voice, cents: float) -> Array:
    """Frequency with a little slow random movement and, sometimes, vibrato."""
    knots = voice.rng.normal(0, cents, int(voice.times[-1] * 5) + 3)
    knots -= knots.mean()
    slow = np.interp(voice.times, np.arange(len(knots)) / 5, knots)
    depth = voice.between(0, 25) if voice.rng.random() < 0.4 else 0.0
    slow = slow + depth * np.sin(2 * np.pi * voice.between(4, 6.5) * voice.times)
    return np.asarray(voice.f0_hz * 2 ** (slow / 1200))


def offsets(voice: Voice, players: int) -> Array:
    """Cents by which several players differ; they agree in the mean."""
    cents = voice.rng.normal(0, 6, players)
    return np.asarray(cents - cents.mean())


def blown(voice: Voice, levels: Array, noise: Array, cents: float = 1.0) -> Patch:
    """Harmonics with a slow swell of loudness, plus breath."""
    attack = np.minimum(1, voice.times / voice.between(0.02, 0.15))
    sound = harmonic_sum(cycles(wavering(voice, cents), voice), levels) * attack
    return Patch(sound=room(voice, sound + noise * sound.std() * attack))


def formants(voice: Voice, centres_hz: Array, widths_hz: Array, gains_db: Array) -> Array:
    frequency = orders(voice) * voice.f0_hz
    shape = np.zeros(len(frequency))
    for centre, width, gain in zip(centres_hz, widths_hz, gains_db, strict=True):
        shape += 10 ** (gain / 20) / (1 + ((frequency - centre) / width) ** 2)
    return shape


def flute(voice: Voice) -> Patch:
    levels = 10 ** (-voice.between(6, 16) * (orders(voice) - 1) / 20)
    breath = band_noise(voice, voice.f0_hz * voice.between(1, 3), 0.8)
    return blown(voice, levels, breath * 10 ** (voice.between(-40, -8) / 20))


def clarinet(voice: Voice) -> Patch:
    order = orders(voice)
    levels = 10 ** (-voice.between(5, 10) * np.log2(order) / 20)
    levels *= np.where((order % 2 == 0) & (order < 8), voice.between(0.01, 0.3), 1.0)
    breath = band_noise(voice, 3000, 1.0) * 10 ** (voice.between(-50, -25) / 20)
    return blown(voice, levels, breath)


def double_reed(voice: Voice) -> Patch:
    """Oboe, bassoon: a fixed formant far above a weak fundamental."""
    centre = voice.between(400, 1400)
    shape = formants(voice, [centre, 2.6 * centre], [centre / 3, centre / 2], [0, -12])
    breath = band_noise(voice, 3000, 1.0) * 10 ** (voice.between(-50, -25) / 20)
    return blown(voice, shape / orders(voice) ** 0.5, breath)


def saxophone(voice: Voice) -> Patch:
    shape = formants(voice, [600, 1600, 3200], [300, 500, 900], [0, -6, -14])
    breath = band_noise(voice, 4000, 1.0) * 10 ** (voice.between(-40, -18) / 20)
    return blown(voice, shape / orders(voice) ** voice.between(0.3, 1.0), breath, 2.0)


def brass(voice: Voice) -> Patch:
    """Brightness that follows the swell of loudness."""
    order = orders(voice)[:60]
    swell = np.minimum(1, voice.times / voice.between(0.03, 0.15))
    bright = voice.between(0.6, 1.5) * (1 - 0.3 * swell)
    cutoff = voice.between(500, 2000)
    levels = np.exp(-order[:, None] * voice.f0_hz / cutoff * bright)
    levels *= formants(voice, [cutoff], [cutoff], [0])[:60, None] + 0.2
    return blown(voice, levels, 0.003 * voice.noise())


def bowed(voice: Voice) -> Patch:
    """One or several bowed strings with body resonances, vibrato, and rosin noise."""
    order, total = orders(voice), np.zeros(len(voice.times))
    centres = np.sort(voice.rng.uniform(200, 4000, 6))
    shape = formants(voice, centres, centres / 8, voice.rng.uniform(-8, 4, 6)) + 0.1
    players = int(voice.rng.choice([1, 1, 4]))
    for spread in offsets(voice, players):
        path = wavering(voice, 2.0) * 2 ** (spread / 1200)
        total += harmonic_sum(cycles(path, voice, voice.between(0, 1)), shape / order)
    attack = np.minimum(1, voice.times / voice.between(0.03, 0.2))
    noise = band_noise(voice, 4000, 1.0) * 10 ** (voice.between(-40, -20) / 20)
    return Patch(sound=room(voice, (total + noise * total.std()) * attack))


def voices(voice: Voice) -> Patch:
    """A choir on one vowel."""
    vowels = ([700, 1150, 2500], [300, 2200, 2900], [350, 700, 2400], [450, 1900, 2500])
    vowel = np.array(vowels[int(voice.rng.integers(4))]) * voice.between(0.9, 1.2)
    shape = formants(voice, vowel, [90, 120, 180], [0, -7, -12]) + 0.01
    total = np.zeros(len(voice.times))
    for spread in offsets(voice, int(voice.rng.integers(1, 6))):
        path = wavering(voice, 3.0) * 2 ** (spread / 1200)
        total += harmonic_sum(
            cycles(path, voice, voice.between(0, 1)), shape / orders(voice) ** 0.7
        )
    breath = band_noise(voice, 2500, 1.0) * 10 ** (voice.between(-40, -15) / 20)
    swell = np.minimum(1, voice.times / 0.15)
    return Patch(sound=room(voice, (total + breath * total.std()) * swell))


def pipe_organ(voice: Voice) -> Patch:
    """Ranks at 8 foot and above, each pipe a little out of tune, with wind."""
    total = np.zeros(len(voice.times))
    for multiple in (1, 2, 3, 4, 6, 8):
        if multiple == 1 or voice.rng.random() < 0.5:
            f_hz = float(voice.f0_hz * multiple * 2 ** (voice.rng.normal(0, 0.8) / 1200))
            count = max(1, min(20, int(15000 / f_hz)))
            levels = 10 ** (-voice.between(5, 14) * np.log2(np.arange(1, count + 1)) / 20)
            level = 1.0 if multiple == 1 else voice.between(0.1, 0.7)
            total += level * harmonic_sum(cycles(f_hz, voice, voice.between(0, 1)), levels)
    wind = band_noise(voice, 1500, 1.5) * 10 ** (voice.between(-50, -25) / 20)
    return Patch(sound=room(voice, (total + wind) * np.minimum(1, voice.times / 0.05)))


def free_reeds(voice: Voice) -> Patch:
    """Accordion, harmonica: two rich reeds that beat."""
    order = orders(voice)
    shape = formants(voice, [voice.between(500, 2000)], [800], [0]) + 0.2
    total = np.zeros(len(voice.times))
    beat = voice.between(0, 8) if voice.rng.random() < 0.6 else 0.0
    for cents in {-beat, beat}:
        path = float(voice.f0_hz * 2 ** (cents / 1200))
        total += harmonic_sum(cycles(path, voice, voice.between(0, 1)), shape / order**0.7)
    return Patch(sound=room(voice, total * np.minimum(1, voice.times / 0.04)))


def lead(voice: Voice) -> Patch:
    """A filtered oscillator, doubled at the octave or detuned: the usual keyboard lead."""
    order = orders(voice)
    shape = low_pass(order, voice.f0_hz, voice.f0_hz * voice.between(1, 12), voice.between(0, 2))
    kinds = (1 / order, (order % 2) / order, np.sin(np.pi * order * 0.3) / order)
    levels = kinds[int(voice.rng.integers(3))] * shape
    apart = voice.between(2, 8) / 2 if voice.rng.random() < 0.5 else 0.0
    total = np.zeros(len(voice.times))
    for cents in (-apart, apart):
        path = float(voice.f0_hz * 2 ** (cents / 1200))
        total += harmonic_sum(cycles(path, voice, voice.between(0, 1)), levels)
    return Patch(sound=room(voice, total * np.minimum(1, voice.times / 0.01)))


INSTRUMENTS: dict[str, Callable[[Voice], Patch]] = {
    patch.__name__: patch
    for patch in (
        piano, guitar, bass_string, harp, plucked_keyboard, electric_piano, bar, tremolo_bar,
        flute, clarinet, double_reed, saxophone, brass, bowed, voices, pipe_organ, free_reeds,
        distorted, lead,
    )
}  # fmt: skip
UNPITCHED: dict[str, Callable[[Voice], Patch]] = {
    patch.__name__: patch for patch in (noise, drum, cymbal)
}
RANGES_HZ = {
    "piano": (27.5, 4186), "guitar": (73, 1000), "bass_string": (29, 200), "harp": (33, 2500),
    "plucked_keyboard": (44, 1400), "electric_piano": (41, 2000), "bar": (130, 4200),
    "tremolo_bar": (170, 1400), "flute": (200, 2400), "clarinet": (140, 1700),
    "double_reed": (58, 1400), "saxophone": (60, 900), "brass": (38, 1100), "bowed": (40, 2800),
    "voices": (80, 1100), "pipe_organ": (33, 2100), "free_reeds": (80, 2000),
    "distorted": (73, 1000), "lead": (40, 3000),
}  # fmt: skip


def make_instrument_tone(
    kind: str, f0_hz: float, *, seconds: float = 1.3, rate_hz: float = 44100.0, seed: int = 0
) -> Tone:
    """Render one note of a kind listed in `INSTRUMENTS` or `UNPITCHED`."""
    voice = make_voice(f0_hz, seconds, rate_hz, seed)
    patch = (INSTRUMENTS | UNPITCHED)[kind](voice)
    return finish(patch, voice, kind)
