"""Play SFZ text over sounds made from truths."""

from __future__ import annotations

import numpy as np

from keymapper.formats.sfz import parse_sfz
from keymapper.model.loop import Loop
from keymapper.proving.events import (
    ControllerMove,
    Event,
    NoteOff,
    NoteOn,
    PlayerSample,
    PlayerSettings,
)
from keymapper.proving.player import render_events

RATE = 48_000

__all__ = [
    "RATE",
    "ControllerMove",
    "NoteOff",
    "NoteOn",
    "PlayerSettings",
    "constant",
    "frequency_hz",
]
__all__ += ["level_db", "play", "sample", "sine"]


def sample(sound: np.ndarray, rate: int = RATE, loop: Loop | None = None) -> PlayerSample:
    shaped = sound[:, np.newaxis] if sound.ndim == 1 else sound
    return PlayerSample(samples=shaped.astype(np.float32), rate=rate, loop=loop)


def sine(frequency: float, frames: int, rate: int = RATE, amplitude: float = 0.5) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * frequency / rate * np.arange(frames))


def constant(frames: int = RATE, value: float = 1.0) -> PlayerSample:
    return sample(np.full(frames, value))


def play(
    text: str,
    events: list[Event],
    frames: int,
    settings: PlayerSettings | None = None,
    **samples: PlayerSample,
) -> np.ndarray:
    """Return the left side of what the SFZ text plays; `a.wav` is the sample called a."""
    reading = parse_sfz(text)
    named = {f"{name}.wav": sound for name, sound in samples.items()}
    return render_events(reading.regions, named, events, frames, settings)


def frequency_hz(sound: np.ndarray, rate: int = RATE) -> float:
    """Return the frequency of a sine by a straight line through its phase; exact to 1e-4 cents."""
    mono = sound[:, 0] if sound.ndim == 2 else sound
    window = np.hanning(len(mono))
    size = 1 << (len(mono) - 1).bit_length()
    peak = int(np.argmax(np.abs(np.fft.rfft(mono * window, size))))
    guess = peak * rate / size
    half = len(mono) // 2
    turned = mono * np.exp(-2j * np.pi * guess / rate * np.arange(len(mono)))
    short = np.hanning(half)
    first, second = (np.sum(turned[at : at + half] * short) for at in (0, len(mono) - half))
    advance = np.angle(second / first) / (2 * np.pi) * rate / (len(mono) - half)
    return float(guess + advance)


def level_db(sound: np.ndarray) -> float:
    return float(20 * np.log10(max(np.abs(sound).max(), 1e-12)))
