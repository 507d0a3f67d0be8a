"""Drift and vibrato: a line and a sine fitted to a track."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.measuring.pitch.spectral import hann
from keymapper.measuring.pitch.sustain import Array
from keymapper.measuring.pitch.track import Track

SLOWEST_HZ = 0.3
FASTEST_HZ = 11.0
LEAST_CYCLES = 1.6
WANDER_SECONDS = 0.3
LEAST_DRIFT = 0.3
DRIFT_SHARE = 0.7
LEAST_COHERENCE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """A sine fitted to a track: what it explains, and whether the harmonics swing together."""

    mean_cents: float
    drift_cents_per_second: float
    wander_cents: float
    rate_hz: float
    depth_cents: float
    explained: float
    coherence: float
    cycles: float
    deviation_cents: float
    seconds: float


def fit_swing(track: Track) -> Swing:
    """Return mean, drift and the strongest sinusoidal swing of a track.

    The highest of the track's spectrum at 1.6 cycles or more gives the rate, least squares of
    line + sine with Gauss-Newton steps on the rate the rest. Mean and drift are those of what the
    sine leaves, under a Hann window.
    """
    times = track.seconds - 0.5 * (track.seconds[0] + track.seconds[-1])
    cents, line = track.cents, np.stack([np.ones_like(times), times], axis=1)
    length = max(float(times[-1] - times[0]), 1e-6)
    weight = np.sqrt(track.weights / track.weights.max())
    fitted = _solve(line * weight[:, None], cents * weight)
    left = weight * (cents - line @ fitted)
    total = float(left @ left)
    sine = _best_sine(times, cents, weight, _strongest_rate(times, left))
    if total <= 0 or sine.rate_hz <= 0:
        sine = Sine(rate_hz=0.0, level=float(fitted[0]), slope=float(fitted[1]), wave=0 * times)
    steady, swing = cents - sine.wave, cents - line @ np.array([sine.level, sine.slope])
    left = weight * (swing - sine.wave)
    window = np.sqrt(track.weights) * np.cos(np.pi * times / (length + track.frame_seconds)) ** 2
    mean = float(window @ steady / window.sum())
    away = times - float(window @ times / window.sum())
    return Swing(
        mean_cents=mean,
        drift_cents_per_second=float(window @ (away * steady) / (window @ away**2)),
        wander_cents=_wander(times, steady - mean),
        rate_hz=sine.rate_hz,
        depth_cents=_depth(times, swing, sine.rate_hz, track.frame_seconds),
        explained=max(0.0, 1 - float(left @ left) / total) if total > 0 else 0.0,
        coherence=_coherence(track),
        cycles=sine.rate_hz * length,
        deviation_cents=float(np.sqrt(total / float(weight @ weight))),
        seconds=length,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sine:
    """A line and a sine: ``wave`` is the sine alone, at each step."""

    rate_hz: float
    level: float
    slope: float
    wave: Array


def _solve(design: Array, values: Array) -> Array:
    """Least squares by the normal equations, a trace of shrinkage keeping them solvable."""
    normal = design.T @ design
    ridge = 1e-10 * float(np.trace(normal)) / len(normal) * np.eye(len(normal))
    return np.asarray(
        np.linalg.solve(normal + ridge + 1e-30 * np.eye(len(normal)), design.T @ values)
    )


def _strongest_rate(times: Array, left: Array) -> float:
    """Rate of the highest line in the spectrum of a track; 0 when too short for any."""
    if len(times) < 8:
        return 0.0
    step = float(times[1] - times[0])
    size = 4 * 2 ** int(np.ceil(np.log2(len(times))))
    power = np.abs(fft.rfft(left, size))
    rates = np.arange(len(power)) / (size * step)
    slowest = max(LEAST_CYCLES / (len(times) * step), SLOWEST_HZ)
    usable = (rates >= slowest) & (rates <= min(FASTEST_HZ, 0.4 / step))
    return float(rates[np.argmax(np.where(usable, power, -1.0))]) if usable.any() else 0.0


def _best_sine(times: Array, cents: Array, weight: Array, rate_hz: float) -> Sine:
    """Line and sine nearest to a track, by Gauss-Newton steps on the rate."""
    limit = 0.2 / max(float(times[-1] - times[0]), 1e-6)
    found = np.zeros(5)
    for _ in range(4):
        wave = _cosine_and_sine(times, rate_hz)
        slope = 2 * np.pi * times * (wave @ np.array([found[3], -found[2]]))
        design = np.stack([np.ones_like(times), times, wave[:, 0], wave[:, 1], slope], axis=1)
        found = _solve(design * weight[:, None], weight * cents)
        rate_hz += float(np.clip(found[4], -limit, limit)) if rate_hz > 0 else 0.0
    wave = _cosine_and_sine(times, rate_hz) @ found[2:4]
    return Sine(rate_hz=rate_hz, level=float(found[0]), slope=float(found[1]), wave=wave)


def _cosine_and_sine(times: Array, rate_hz: float) -> Array:
    angle = 2 * np.pi * rate_hz * times
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _depth(times: Array, swing: Array, rate: float, frame_seconds: float) -> float:
    """80th percentile of the envelope of the swing: a delayed vibrato counts where it is on."""
    if rate <= 0:
        return 0.0
    step = float(times[1] - times[0])
    length = min(max(3, round(2 / (rate * step))), len(times))
    turned = swing * np.exp(-2j * np.pi * rate * times)
    window = hann(length)
    frames = np.lib.stride_tricks.sliding_window_view(turned, length)
    envelope = 2 * np.abs(frames @ (window / window.sum()))
    x = rate * frame_seconds
    response = float(np.sinc(x) / max(1 - x**2, 1e-3)) if x < 0.9 else 0.2
    return float(np.quantile(envelope, 0.8)) / max(response * float(np.sinc(rate * step)), 0.2)


def _wander(times: Array, cents: Array) -> float:
    """Return the standard deviation of the track smoothed over 0.3 s."""
    length = min(max(1, round(WANDER_SECONDS / float(times[1] - times[0]))), len(cents))
    sums = np.cumsum(np.concatenate([[0.0], cents]))
    return float(np.std((sums[length:] - sums[:-length]) / length))


def _coherence(track: Track) -> float:
    """Correlation of the lowest harmonic's track with that of the others (1.0 when alone)."""
    if len(track.by_harmonic) < 2:
        return 1.0
    low = track.by_harmonic[0]
    weights = track.harmonic_weights[1:]
    others = np.sum(weights * track.by_harmonic[1:], axis=0) / weights.sum(axis=0)
    low, others = low - low.mean(), others - others.mean()
    product = float(np.sqrt((low @ low) * (others @ others)))
    return float(low @ others) / product if product > 0 else 1.0


def drift_is_there(swing: Swing) -> bool:
    """Tell whether a track drifts: by more than 0.3 cents a second, and more than it wanders."""
    slope = abs(swing.drift_cents_per_second)
    straight = slope * swing.seconds / math.sqrt(12)  # standard deviation of the line alone
    together = swing.coherence > LEAST_COHERENCE
    return together and slope > LEAST_DRIFT and straight > DRIFT_SHARE * swing.wander_cents
