"""Plain notes for tests of everything but pitch and loops: a few partials and an envelope."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE = 48_000


def note(
    frequency_hz: float,
    seconds: float = 1.5,
    *,
    rate: int = RATE,
    peak: float = 0.3,
    decay_seconds: float | None = None,
    lead_seconds: float = 0.05,
    phase: float = 0.0,
) -> np.ndarray:
    """A tone of five partials after some silence, shape (frames, 1); sustains unless it decays."""
    time = np.arange(round(seconds * rate)) / rate
    partials = sum(
        np.sin(2 * np.pi * frequency_hz * k * time + k * (1 + phase * k)) / k for k in range(1, 6)
    )
    shape = np.minimum(1.0, time / 0.005) * np.minimum(1.0, (seconds - time) / 0.08)
    if decay_seconds is not None:
        shape = shape * np.exp(-time / decay_seconds)
    sound = partials * shape
    sound *= peak / np.abs(sound).max()
    lead = np.random.default_rng(1).normal(0, 1e-5, round(lead_seconds * rate))
    return np.concatenate([lead, sound])[:, np.newaxis]


def noise_hit(seconds: float = 0.5, *, seed: int = 1, peak: float = 0.5) -> np.ndarray:
    """A burst of noise that dies away, shape (frames, 1): a drum without a pitch."""
    frames = round(seconds * RATE)
    noise = np.random.default_rng(seed).normal(size=frames) * np.exp(-np.arange(frames) / 4000)
    return (noise * peak / np.abs(noise).max())[:, np.newaxis]


def write_note(path: Path, key: int, **how: float | None) -> None:
    """Write a note of an equal-tempered key as a 24-bit WAV."""
    path.parent.mkdir(parents=True, exist_ok=True)
    samples = note(440 * 2 ** ((key - 69) / 12), **how)  # type: ignore[arg-type]
    soundfile.write(path, samples, RATE, subtype="PCM_24")
