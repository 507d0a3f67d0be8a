"""Takes rendered from truth: a plan played by a made-up synth into a made-up recorder.

The truth of a note is measured on the note alone, before anything is mixed in: its onset is the
first frame that reaches 1 % of its own peak, or the RMS of the noise floor where that is higher.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

Samples = np.ndarray


class Played(Protocol):
    """What the renderer needs of a planned note."""

    key: int
    velocity: int
    on_seconds: float
    off_seconds: float


@dataclass(frozen=True, kw_only=True)
class Key:
    """A key press, for plans written by hand in tests."""

    key: int
    velocity: int
    on_seconds: float
    off_seconds: float


@dataclass(frozen=True, kw_only=True)
class Patch:
    """A made-up sound."""

    attack_seconds: float = 0.002
    attack_power: float = 1.0
    decay_seconds: float | None = None  # time to fall by 60 dB while held; None sustains
    release_seconds: float = 0.2  # time to fall by 60 dB once released
    voices_cents: tuple[float, ...] = (0.0,)
    partials: int = 8
    tilt: float = 1.0
    click: float = 0.0  # key-down click, relative to the body
    noise: float = 0.0  # breath in the body, relative to it
    velocity_range_db: float = 30.0
    vibrato_cents: float = 0.0


PATCHES: dict[str, Patch] = {
    "lead": Patch(attack_seconds=0.003, release_seconds=0.25),
    "pluck": Patch(attack_seconds=0.001, decay_seconds=2.0, release_seconds=0.4),
    "bell": Patch(attack_seconds=0.0005, decay_seconds=5.0, release_seconds=4.0, partials=3),
    "bass": Patch(attack_seconds=0.004, decay_seconds=6.0, partials=20, release_seconds=0.15),
    "brass": Patch(attack_seconds=0.06, partials=14, release_seconds=0.3, vibrato_cents=8.0),
    "pad": Patch(attack_seconds=2.0, voices_cents=(-6.0, 5.0), release_seconds=1.5, partials=6),
    "curved_pad": Patch(
        attack_seconds=0.6,
        attack_power=3.0,
        voices_cents=(-6.0, 5.0),
        release_seconds=1.0,
        partials=6,
    ),
    "click_pad": Patch(attack_seconds=1.5, click=0.25, voices_cents=(-4.0, 3.0), release_seconds=1),
    "chorus": Patch(attack_seconds=0.01, voices_cents=(-7.0, 0.0, 8.0), release_seconds=0.6),
    "tails": Patch(attack_seconds=0.002, release_seconds=6.0, decay_seconds=12.0),
    "breath": Patch(attack_seconds=0.03, noise=0.4, partials=4, release_seconds=0.3),
}


@dataclass(frozen=True, kw_only=True)
class Recording:
    """How the take came to be: the room, the recorder and the accidents."""

    rate_hz: int = 48_000
    channels: int = 1
    latency_seconds: float = 0.35
    drift_ppm: float = 0.0
    jitter_seconds: float = 0.0
    noise_dbfs: float | None = -80.0
    hum_dbfs: float | None = None
    peak: float = 0.5
    missing: frozenset[int] = frozenset()
    doubled: dict[int, float] = field(default_factory=dict)  # plan index: seconds later
    extra: tuple[Key, ...] = ()
    start_late_seconds: float = 0.0
    stop_early_seconds: float = 0.0
    tail_seconds: float = 2.0
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class TrueNote:
    """What is so about one note of the take; plan_index is None for an extra one."""

    plan_index: int | None
    key: int
    velocity: int
    key_down_seconds: float
    onset_seconds: float
    peak: float
    signal_to_noise_db: float


@dataclass(frozen=True, kw_only=True, eq=False)
class RenderedTake:
    """A take and the truth about it."""

    samples: Samples
    rate_hz: int
    notes: tuple[TrueNote, ...]
    recording: Recording


def render_note(patch: Patch, note: Played, rate_hz: int, seed: int) -> Samples:
    """Return one note alone, shape (frames, 2), body peaking near 1 at full velocity."""
    rng = np.random.default_rng([seed, note.key, note.velocity])
    held = note.off_seconds - note.on_seconds
    seconds = np.arange(round((held + 1.2 * patch.release_seconds + 0.01) * rate_hz)) / rate_hz
    pitch_hz = 440.0 * 2 ** ((note.key - 69) / 12)
    wobble = patch.vibrato_cents / 1200 * np.sin(2 * np.pi * 5.2 * seconds)
    body = np.zeros((len(seconds), 2))
    for voice, cents in enumerate(patch.voices_cents):
        cycles = pitch_hz * 2 ** (cents / 1200) * (seconds + np.cumsum(wobble) / rate_hz)
        pan = np.array([1.0, 0.7]) if voice % 2 == 0 else np.array([0.7, 1.0])
        for number in range(1, patch.partials + 1):
            if number * pitch_hz < 0.42 * rate_hz:
                phase = rng.uniform() if number > 1 else 0.0
                wave = np.sin(2 * np.pi * (number * cycles + phase)) / number**patch.tilt
                body += wave[:, None] * pan
    body /= np.abs(body).max(initial=1e-9)
    if patch.noise:
        body += patch.noise * rng.normal(0, 0.3, body.shape)
    gain = np.clip(seconds / patch.attack_seconds, 0, 1) ** patch.attack_power
    if patch.decay_seconds:
        gain *= 10 ** (-3 * seconds / patch.decay_seconds)
    gain *= 10 ** (-3 * np.clip(seconds - held, 0, None) / patch.release_seconds)
    gain *= np.clip((seconds[-1] - seconds) / 0.01, 0, 1)
    sound = body * gain[:, None]
    if patch.click:
        sound += (
            patch.click * (rng.normal(0, 0.4, len(seconds)) * np.exp(-seconds / 0.002))[:, None]
        )
    return sound * 10 ** (patch.velocity_range_db * (note.velocity / 127 - 1) / 20)


def render_take(plan: Sequence[Played], patch: Patch, how: Recording) -> RenderedTake:
    """Return the take that playing the plan gives, with its accidents, and the truth."""
    rng = np.random.default_rng([how.seed, 77])
    rate = how.rate_hz
    end = max(n.off_seconds for n in plan) + patch.release_seconds + how.tail_seconds
    frames = round((end * (1 + how.drift_ppm * 1e-6) + how.latency_seconds) * rate)
    samples = np.zeros((max(frames, rate // 10), how.channels))
    noise_rms = 10 ** (how.noise_dbfs / 20) if how.noise_dbfs is not None else 0.0
    notes = []
    for index, note in _presses(plan, how):
        seconds = note.on_seconds * (1 + how.drift_ppm * 1e-6) + how.latency_seconds
        seconds += rng.uniform(-1, 1) * how.jitter_seconds
        sound = how.peak * render_note(patch, note, rate, how.seed)[:, : how.channels]
        start = round(seconds * rate)
        notes.append(_truth(sound, start, rate, index, note, noise_rms))
        first, last = max(start, 0), min(start + len(sound), len(samples))
        if last > first:
            samples[first:last] += sound[first - start : last - start]
    samples += rng.normal(0, 1, samples.shape) * noise_rms
    if how.hum_dbfs is not None:
        samples += _hum(len(samples), rate, 10 ** (how.hum_dbfs / 20))[:, None]
    first = round(how.start_late_seconds * rate)
    last = len(samples) - round(how.stop_early_seconds * rate)
    return RenderedTake(
        samples=np.clip(samples[first:last], -1, 1),
        rate_hz=rate,
        notes=tuple(
            replace(
                n,
                onset_seconds=n.onset_seconds - first / rate,
                key_down_seconds=n.key_down_seconds - first / rate,
            )
            for n in sorted(notes, key=lambda n: n.onset_seconds)
            if first / rate <= n.onset_seconds < last / rate
        ),
        recording=how,
    )


def _presses(plan: Sequence[Played], how: Recording) -> list[tuple[int | None, Played]]:
    presses: list[tuple[int | None, Played]] = []
    for index, note in enumerate(plan):
        if index not in how.missing:
            presses.append((index, note))
        if index in how.doubled:
            later = how.doubled[index]
            again = Key(
                key=note.key,
                velocity=note.velocity,
                on_seconds=note.on_seconds + later,
                off_seconds=note.off_seconds + later,
            )
            presses.append((None, again))
    return presses + [(None, key) for key in how.extra]


def _truth(
    sound: Samples, start: int, rate: int, index: int | None, note: Played, noise_rms: float
) -> TrueNote:
    size = np.abs(sound).max(axis=1)
    peak = float(size.max())
    heard = size >= max(0.01 * peak, min(noise_rms, peak))
    held = sound[: max(1, round((note.off_seconds - note.on_seconds) * rate))]
    level = float(np.sqrt(np.max(np.convolve((held**2).mean(axis=1), np.ones(512) / 512, "same"))))
    return TrueNote(
        plan_index=index,
        key=note.key,
        velocity=note.velocity,
        key_down_seconds=start / rate,
        onset_seconds=(start + int(np.argmax(heard))) / rate,
        peak=peak,
        signal_to_noise_db=20 * float(np.log10(level / max(noise_rms, 1e-9))),
    )


def _hum(frames: int, rate: int, rms: float) -> Samples:
    seconds = np.arange(frames) / rate
    wave = sum(np.sin(2 * np.pi * 50 * n * seconds + n) / n for n in (1, 2, 3, 5))
    return rms * wave / np.sqrt(np.mean(wave**2))
