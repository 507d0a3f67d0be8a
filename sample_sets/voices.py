"""The four patches of "Harbour Lights", and what is true of every note they play.

Each voice takes a `NoteToPlay` and returns a `Performance`: the sound as the interface heard it,
latency included, and the facts a measurement of it should come back with.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from synthesis import (
    Signal,
    band_noise,
    chorus,
    cycles_of,
    drift_cents,
    filtered_partials,
    generator,
    held_envelope,
    key_to_hz,
    pulse_weights,
    saw_weights,
    through_the_cable,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteToPlay:
    """One key press of a set; velocity 1..127, round robin from 1, seed unique in the pack."""

    key: int
    velocity: int
    round_robin: int
    rate_hz: int
    seed: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Performance:
    """A rendered note, (frames, channels), and its truth; frame ranges are half-open.

    `tuning_cents` is how sharp it sounds of its key at A4 = 440 Hz, as a mean over the oscillators
    and over `steady`; None for a sound without a pitch. `note_off_frame` is None where the sound
    plays to its end whatever the key does.
    """

    recording: Signal
    onset_frame: int
    steady: tuple[int, int]
    note_off_frame: int | None
    tuning_cents: float | None
    sustains: bool
    dc: tuple[float, ...]


Voice = Callable[[NoteToPlay], Performance]


def _mean_cents(curves: list[Signal], steady: tuple[int, int]) -> float:
    return float(np.mean([curve[steady[0] : steady[1]] for curve in curves]))


def _frames(seconds: float, rate_hz: int) -> int:
    return round(seconds * rate_hz)


def harbour_pad(note: NoteToPlay) -> Performance:
    """Play five detuned saws a side through a slowly opening filter and a stereo chorus."""
    rng = generator(*note.seed)
    latency, length, off = rng.uniform(0.05, 0.11), 5.5, 4.4
    onset = _frames(latency, note.rate_hz)
    seconds = np.arange(_frames(length, note.rate_hz)) / note.rate_hz - onset / note.rate_hz
    pitch_hz = key_to_hz(note.key)
    note_cents = rng.uniform(-8.0, 8.0)
    cutoff_hz = np.minimum(5.0 * pitch_hz + 500.0, 4500.0) * (
        1.0 + 0.25 * np.sin(2 * np.pi * (0.21 * seconds + rng.uniform()))
    )
    envelope = held_envelope(seconds, 0.32, off, 0.9)
    lfo_start = rng.uniform()
    curves, channels = [], []
    for side in range(2):
        dry = np.zeros(len(seconds))
        for spread in (-7.0, -3.0, 0.0, 3.5, 6.5):
            curves.append(note_cents + spread + drift_cents(rng, seconds, 1.5))
            cycles = cycles_of(pitch_hz, curves[-1], note.rate_hz, rng.uniform())
            weights = saw_weights(pitch_hz, note.rate_hz)
            dry += filtered_partials(cycles, weights, pitch_hz / cutoff_hz, 0.8)
        channels.append(0.075 * chorus(dry * envelope, note.rate_hz, 0.5, lfo_start + 0.5 * side))
    dc = (float(rng.uniform(0.0005, 0.0015)), float(-rng.uniform(0.0005, 0.0015)))
    steady = (onset + _frames(0.4, note.rate_hz), onset + _frames(off, note.rate_hz))
    return Performance(
        recording=through_the_cable(rng, channels, note.rate_hz, dc),
        onset_frame=onset,
        steady=steady,
        note_off_frame=steady[1],
        tuning_cents=_mean_cents(curves, steady),
        sustains=True,
        dc=dc,
    )


def quay_bass(note: NoteToPlay) -> Performance:
    """Play one oscillator's saw and pulse through a filter velocity opens; both sides are equal."""
    rng = generator(*note.seed)
    strength = note.velocity / 127.0
    latency, length, off = rng.uniform(0.03, 0.07), 4.4, 3.6
    onset = _frames(latency, note.rate_hz)
    seconds = np.arange(_frames(length, note.rate_hz)) / note.rate_hz - onset / note.rate_hz
    pitch_hz = key_to_hz(note.key)
    cents = rng.uniform(-5.0, 5.0) + drift_cents(rng, seconds, 0.8)
    opening = 1.0 + (3.0 + 9.0 * strength) * np.exp(-np.clip(seconds, 0.0, None) / 0.22)
    harmonics_to_cutoff = 1.0 / (opening * (1.5 + 2.0 * strength))
    weights = saw_weights(pitch_hz, note.rate_hz)
    weights = weights + 0.7 * pulse_weights(pitch_hz, note.rate_hz, 0.38)
    cycles = cycles_of(pitch_hz, cents, note.rate_hz, rng.uniform())
    sound = filtered_partials(cycles, weights, harmonics_to_cutoff, 1.1)
    fall = 0.75 + 0.25 * np.exp(-np.clip(seconds, 0.0, None) / 0.4)
    sound *= 0.28 * strength**1.4 * fall * held_envelope(seconds, 0.004, off, 0.18)
    dc = float(rng.uniform(0.001, 0.003))
    recording = through_the_cable(rng, [sound], note.rate_hz, [dc])
    steady = (onset + _frames(0.5, note.rate_hz), onset + _frames(off, note.rate_hz))
    return Performance(
        recording=np.repeat(recording, 2, axis=1),
        onset_frame=onset,
        steady=steady,
        note_off_frame=steady[1],
        tuning_cents=_mean_cents([cents], steady),
        sustains=True,
        dc=(dc, dc),
    )


def rope_pluck(note: NoteToPlay) -> Performance:
    """Pluck a string whose partials die away the faster the higher they lie; it never sustains."""
    rng = generator(*note.seed)
    latency, length = rng.uniform(0.02, 0.09), 2.6
    onset = _frames(latency, note.rate_hz)
    seconds = np.arange(_frames(length, note.rate_hz)) / note.rate_hz - onset / note.rate_hz
    after = np.clip(seconds, 0.0, None)
    pitch_hz = key_to_hz(note.key)
    cents = rng.uniform(-6.0, 6.0) + 7.0 * np.exp(-after / 0.03) - 0.4 * after
    cycles = cycles_of(pitch_hz, cents, note.rate_hz, 0.0)
    position = rng.uniform(0.17, 0.23)
    decay_seconds = 0.55 * (220.0 / pitch_hz) ** 0.35
    sound = np.zeros(len(seconds))
    for number in range(1, int(min(9000.0, 0.45 * note.rate_hz) / pitch_hz) + 1):
        weight = np.sin(np.pi * number * position) / number**1.2
        life = decay_seconds / (1.0 + 0.02 * number**1.5)
        phase = rng.uniform(-0.05, 0.05)
        sound += weight * np.exp(-after / life) * np.sin(2 * np.pi * (number * cycles + phase))
    scrape = band_noise(rng, len(seconds), 0.03, 0.12) * 0.05 * np.exp(-after / 0.012)
    played = (sound + scrape) * held_envelope(seconds, 0.0015, length, 1.0)
    dc = float(-rng.uniform(0.0005, 0.002))
    loudness = 0.34 * (note.velocity / 127.0)
    return Performance(
        recording=through_the_cable(rng, [loudness * played], note.rate_hz, [dc]),
        onset_frame=onset,
        steady=(steady := (onset + _frames(0.2, note.rate_hz), onset + _frames(1.2, note.rate_hz))),
        note_off_frame=None,
        tuning_cents=_mean_cents([cents], steady),
        sustains=False,
        dc=(dc,),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """What a dock hit is made of: partials over a tone that falls in pitch, and a noise band."""

    tone_hz: float
    fall_octaves: float
    ratios: tuple[float, ...]
    tone_seconds: float
    noise_band: tuple[float, float]
    noise_gain: float
    noise_seconds: float


STRIKES = {
    36: Strike(
        tone_hz=52, fall_octaves=1.6, ratios=(1.0,), tone_seconds=0.16,
        noise_band=(0.004, 0.02), noise_gain=0.25, noise_seconds=0.03,
    ),
    38: Strike(
        tone_hz=171, fall_octaves=0.3, ratios=(1.0, 1.59, 2.14), tone_seconds=0.07,
        noise_band=(0.03, 0.2), noise_gain=0.8, noise_seconds=0.11,
    ),
    39: Strike(
        tone_hz=900, fall_octaves=0.0, ratios=(1.0, 1.37, 2.71, 3.18, 4.93), tone_seconds=0.03,
        noise_band=(0.06, 0.22), noise_gain=1.0, noise_seconds=0.18,
    ),
    42: Strike(
        tone_hz=3100, fall_octaves=0.0, ratios=(1.0, 1.34, 1.61), tone_seconds=0.02,
        noise_band=(0.16, 0.3), noise_gain=1.0, noise_seconds=0.035,
    ),
    45: Strike(
        tone_hz=96, fall_octaves=0.5, ratios=(1.0, 1.52), tone_seconds=0.22,
        noise_band=(0.01, 0.05), noise_gain=0.3, noise_seconds=0.05,
    ),
    49: Strike(
        tone_hz=612, fall_octaves=0.0, ratios=(1.0, 1.19, 2.0, 2.74, 3.76, 5.2), tone_seconds=0.55,
        noise_band=(0.05, 0.15), noise_gain=0.2, noise_seconds=0.02,
    ),
}  # fmt: skip


def dock_hit(note: NoteToPlay) -> Performance:
    """Strike something on the dock: a one-shot without a pitch worth tuning."""
    rng = generator(*note.seed)
    strike = STRIKES[note.key]
    latency, length = rng.uniform(0.01, 0.05), 0.5 + 3.2 * strike.tone_seconds
    onset = _frames(latency, note.rate_hz)
    seconds = np.arange(_frames(length, note.rate_hz)) / note.rate_hz - onset / note.rate_hz
    after = np.clip(seconds, 0.0, None)
    octaves = strike.fall_octaves * np.exp(-after / 0.025)
    sound = np.zeros(len(seconds))
    for ratio in strike.ratios:
        cycles = cycles_of(strike.tone_hz * ratio, 1200.0 * octaves, note.rate_hz, rng.uniform())
        sound += np.sin(2 * np.pi * cycles) * np.exp(-after * ratio**0.5 / strike.tone_seconds)
    sound /= len(strike.ratios) ** 0.5
    dc = (float(rng.uniform(-0.001, 0.001)), float(rng.uniform(-0.001, 0.001)))
    channels = []
    for _ in range(2):
        noise = band_noise(rng, len(seconds), *strike.noise_band)
        noise *= 0.5 * strike.noise_gain * np.exp(-after / strike.noise_seconds)
        channels.append(0.2 * (sound + noise) * held_envelope(seconds, 0.0008, length, 1.0))
    return Performance(
        recording=through_the_cable(rng, channels, note.rate_hz, dc),
        onset_frame=onset,
        steady=(onset, len(seconds)),
        note_off_frame=None,
        tuning_cents=None,
        sustains=False,
        dc=dc,
    )
