"""Struck and plucked strings, bars, drums and noise, made from exact truths."""

from __future__ import annotations

import numpy as np

from tests.synth_parts import Array, Patch, Voice, cycles, strike

BEAT_CENTS = 0.25


def partials(voice: Voice, ratios: Array, levels: Array, decays: Array) -> Array:
    """Sum of decaying sines at f0 * ratios; decays in seconds to 1/e, each with its own phase."""
    sound = np.zeros(len(voice.times))
    for ratio, level, decay in zip(ratios, levels, decays, strict=True):
        f_hz = ratio * voice.f0_hz
        if f_hz < 0.46 * voice.rate_hz and abs(level) > 1e-5:
            turn = 2 * np.pi * (f_hz * voice.times + voice.between(0, 1))
            sound += level * np.exp(-voice.times / decay) * np.sin(turn)
    return sound


def band_noise(voice: Voice, centre_hz: float, width_octaves: float) -> Array:
    spectrum = np.fft.rfft(voice.noise())
    frequency = np.fft.rfftfreq(len(voice.times), 1 / voice.rate_hz) + 1e-6
    shape = np.exp(-0.5 * (np.log2(frequency / centre_hz) / width_octaves) ** 2)
    noise = np.fft.irfft(spectrum * shape, len(voice.times))
    return np.asarray(noise / (noise.std() + 1e-12))


def room(voice: Voice, sound: Array) -> Array:
    """The noise of a recording: hiss and a little hum, 40 to 75 dB below the sound."""
    level = np.abs(sound).max() * 10 ** (voice.between(-75, -40) / 20)
    hum = np.sin(2 * np.pi * 50 * voice.times) * voice.between(0, 1)
    return sound + level * (voice.noise() + hum)


def stretched(order: Array, stretch: float) -> Array:
    return order * np.sqrt((1 + stretch * order**2) / (1 + stretch))


def string(voice: Voice, stretch: float, decay: float, tilt_db: float, place: float) -> Array:
    """One to three nearly equal strings, struck or plucked at a place along their length."""
    order = np.arange(1, min(60, int(10000 / voice.f0_hz)) + 1.0)
    levels = np.sin(np.pi * order * place) * 10 ** (-tilt_db * np.log2(order) / 20)
    levels *= 10 ** (voice.rng.normal(0, 4, len(order)) / 20)
    decays = decay / (1 + 0.06 * order + 0.004 * order**2) * voice.rng.uniform(0.6, 1.4, len(order))
    sound = np.zeros(len(voice.times))
    for _ in range(int(voice.rng.integers(1, 4))):
        ratios = stretched(order, stretch) * 2 ** (voice.rng.normal(0, BEAT_CENTS) / 1200)
        sound += partials(voice, ratios, levels, decays)
    return sound


def piano(voice: Voice) -> Patch:
    key = 69 + 12 * np.log2(voice.f0_hz / 440)
    stretch = np.exp(0.0926 * key - 13.9) + np.exp(-0.0847 * key - 6.2)  # Young's two branches
    decay = 6.0 * (voice.f0_hz / 110) ** -0.5
    tilt_db = voice.between(3, 9) + 5 * max(0.0, np.log2(voice.f0_hz / 250))
    stretch *= voice.between(0.6, 1.5)
    sound = string(voice, stretch, decay, tilt_db, 0.12)
    if voice.f0_hz < 80:  # a small soundboard hardly radiates the fundamental
        turn = 2 * np.pi * voice.f0_hz * voice.times
        sound -= voice.between(0, 0.8) * np.sin(turn) * np.exp(-voice.times / decay)
    knock = band_noise(voice, 300, 1.2) * strike(voice, 0.03)
    return Patch(sound=room(voice, sound + voice.between(0, 0.4) * sound.std() * knock))


def guitar(voice: Voice) -> Patch:
    stretch, place = 10 ** voice.between(-5, -3.7), voice.between(0.07, 0.35)
    sound = string(voice, stretch, voice.between(0.4, 2.5), voice.between(2, 9), place)
    knock = band_noise(voice, 2000, 1.0) * strike(voice, 0.01)
    return Patch(sound=room(voice, sound + voice.between(0, 0.5) * sound.std() * knock))


def bass_string(voice: Voice) -> Patch:
    order = np.arange(1, 25.0)
    levels = np.sin(np.pi * order * voice.between(0.1, 0.3)) / order ** voice.between(0.3, 2)
    levels[0] *= 10 ** (voice.between(-25, 3) / 20)
    ratios = stretched(order, 10 ** voice.between(-4.5, -3.3))
    sound = partials(voice, ratios, levels, voice.between(0.8, 3) / (1 + 0.1 * order))
    return Patch(sound=room(voice, sound))


def harp(voice: Voice) -> Patch:
    sound = string(voice, 10 ** voice.between(-5, -4), voice.between(0.5, 2), 7, 0.4)
    return Patch(sound=room(voice, sound))


def plucked_keyboard(voice: Voice) -> Patch:
    """Bright strings, two choirs of them, the second an octave up."""
    sound = string(voice, 1e-5, voice.between(0.8, 2), voice.between(0, 4), 0.14)
    order = np.arange(1, min(30, int(10000 / voice.f0_hz / 2)) + 1.0)
    levels = voice.between(0, 0.8) * 10 ** (-3 * np.log2(order) / 20)
    sound += partials(voice, 2.0004 * order, levels, np.full(len(order), 0.8))
    return Patch(sound=room(voice, sound))


def electric_piano(voice: Voice) -> Patch:
    """A tine: a strong fundamental, harmonics of the pick-up, a bell that dies at once."""
    decay = voice.between(0.8, 3)
    order = np.arange(1, 9.0)
    levels = 10 ** (-voice.between(6, 16) * (order - 1) / 20)
    sound = partials(voice, order, levels, decay / order)
    bell = np.array([voice.between(5.9, 7.2), voice.between(14, 19)])
    return Patch(sound=room(voice, sound + partials(voice, bell, [0.3, 0.15], [0.2, 0.1])))


def bar(voice: Voice) -> Patch:
    """A wooden or metal bar, tuned to 1:4:10, 1:3:6 or left free at 1:2.756:5.404."""
    sets = ([1, 4, 9.9], [1, 3, 6.2], [1, 2.756, 5.404], [1, 4, 10.6], [1, 2, 5.4])
    ratios = np.array(sets[int(voice.rng.integers(len(sets)))])
    ratios *= np.array([1, *2 ** (voice.rng.normal(0, 10, 2) / 1200)])
    levels = np.array([1, voice.between(0.05, 0.6), voice.between(0, 0.3)])
    decay = voice.between(0.15, 2.5)
    knock = band_noise(voice, 1500, 1.0) * strike(voice, 0.008)
    sound = partials(voice, ratios, levels, decay * np.array([1, 0.3, 0.1]))
    return Patch(sound=room(voice, sound + voice.between(0, 0.3) * knock))


def tremolo_bar(voice: Voice) -> Patch:
    """A metal bar over a turning fan."""
    fan = 1 + voice.between(0.1, 0.6) * np.sin(2 * np.pi * voice.between(3, 7) * voice.times)
    sound = partials(voice, [1, 4.0, 9.7], [1, 0.2, 0.03], np.array([2.5, 0.6, 0.2]))
    return Patch(sound=room(voice, sound * fan))


def distorted(voice: Voice) -> Patch:
    """A plucked string through an overdriven amplifier."""
    sound = string(voice, 10 ** voice.between(-5, -4), 2.5, 4, voice.between(0.08, 0.3))
    drive = np.tanh(voice.between(3, 20) * sound / np.abs(sound).max() + voice.between(-0.3, 0.3))
    return Patch(sound=room(voice, drive - drive.mean()))


def noise(voice: Voice) -> Patch:
    centre, width = 10 ** voice.between(2, 4), voice.between(0.7, 4)
    return Patch(sound=band_noise(voice, centre, width), pitched=False)


def drum(voice: Voice) -> Patch:
    """A skin with its modes and a rattle, or a kick that falls through the octaves."""
    modes = np.array([1, 1.59, 2.14, 2.3, 2.65, 2.92, 3.16, 3.5, 3.6, 4.06])
    levels = voice.rng.uniform(0.2, 1, len(modes))
    skin = partials(voice, modes, levels, voice.rng.uniform(0.03, 0.25, len(modes)))
    rattle = band_noise(voice, 4000, 1.5) * strike(voice, voice.between(0.03, 0.2))
    if voice.rng.random() < 0.3:
        path = 40 + 4 * voice.f0_hz * np.exp(-voice.times / voice.between(0.08, 0.2))
        skin = np.sin(2 * np.pi * cycles(path, voice)) * strike(voice, 0.1)
    return Patch(sound=skin + voice.between(0.3, 3) * rattle, pitched=False)


def cymbal(voice: Voice) -> Patch:
    ratios = np.sort(voice.rng.uniform(1, 20, 60))
    decays = voice.rng.uniform(0.2, 1.5, 60)
    sound = partials(voice, ratios, voice.rng.uniform(0.2, 1, 60), decays)
    return Patch(sound=sound + band_noise(voice, 7000, 1.0) * strike(voice, 0.4), pitched=False)
