"""How the pitch moves within the note: drift, vibrato, and the glide of the attack."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.pitch.harmonics import Harmonics
from keymapper.measuring.pitch.partials import CENTS_PER_RATIO
from keymapper.measuring.pitch.sustain import Array

FRAME_SECONDS = 0.03
HIGH_FRAME_SECONDS = 0.018
HIGH_HZ = 600.0
STRONGEST = 6
LEVEL_RANGE_DB = 30.0
LARGEST_SWING = 0.035
SCAN_RATES = 56
SLOWEST_HZ = 0.3
FASTEST_HZ = 11.0
LEAST_CYCLES = 1.6
LEAST_DEPTH_CENTS = 1.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Track:
    """Pitch against time, in cents above ``f0_hz``.

    ``seconds``, ``cents`` and ``weights``, one entry a step; ``by_harmonic`` and their weights
    with one row a harmonic, lowest first.
    """

    f0_hz: float
    seconds: Array
    cents: Array
    weights: Array
    by_harmonic: Array
    harmonic_weights: Array
    frame_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """A sine fitted to a track: what it explains, and whether the harmonics swing together."""

    mean_cents: float
    drift_cents_per_second: float
    rate_hz: float
    depth_cents: float
    explained: float
    coherence: float
    cycles: float
    deviation_cents: float


def pitch_track(harmonics: Harmonics, start_seconds: float, end_seconds: float) -> Track | None:
    """Return the pitch against time from the phase advance of the strongest harmonics.

    Frames of four periods (at least 30 ms, 18 ms above 600 Hz), hop a quarter; None when fewer
    than four steps fit.
    """
    f0_hz, point_hz = harmonics.f0_hz, harmonics.point_hz
    frame = max(4 / f0_hz, HIGH_FRAME_SECONDS if f0_hz > HIGH_HZ else FRAME_SECONDS)
    hop = max(1, round(frame * point_hz / 4))
    length = max(3, round(frame * point_hz))
    first, last = round(start_seconds * point_hz), round(end_seconds * point_hz)
    signals = harmonics.signals[:, max(first, 0) : last]
    if signals.shape[1] < length + 4 * hop:
        return None
    power = np.mean(signals.real**2 + signals.imag**2, axis=1)
    usable = harmonics.orders * f0_hz * LARGEST_SWING < 0.5 * point_hz / hop
    usable &= power > power.max() * 10 ** (-LEVEL_RANGE_DB / 10)
    usable[0] |= not usable.any()
    rows = np.sort(np.argsort(-np.where(usable, power, -1.0), kind="stable")[:STRONGEST])
    rows = rows[usable[rows]]
    orders = harmonics.orders[rows]
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(length) + 0.5) / length)
    shift = orders * f0_hz - harmonics.centres_hz[rows]
    times = np.arange(signals.shape[1]) / point_hz
    still = signals[rows] * np.exp(-2j * np.pi * shift[:, None] * times)
    frames = np.lib.stride_tricks.sliding_window_view(still, length, axis=1)[:, ::hop]
    values = frames @ (window / window.sum())
    advance = values[:, 1:] * np.conj(values[:, :-1])
    weights = orders[:, None] * np.sqrt(np.abs(advance)) + 1e-20
    turn = np.angle(advance) / (2 * np.pi * orders[:, None] * f0_hz * hop / point_hz)
    by_harmonic = CENTS_PER_RATIO * np.log1p(np.maximum(turn, -0.5))
    steps = np.arange(by_harmonic.shape[1])
    return Track(
        f0_hz=f0_hz,
        seconds=(max(first, 0) + (steps + 0.5) * hop + length / 2) / point_hz,
        cents=np.sum(weights * by_harmonic, axis=0) / weights.sum(axis=0),
        weights=weights.sum(axis=0),
        by_harmonic=by_harmonic,
        harmonic_weights=weights,
        frame_seconds=length / point_hz,
    )


def _line_and_sine(times: Array, rate_hz: float | Array) -> Array:
    angle = 2 * np.pi * np.asarray(rate_hz)[..., None] * times
    ones = np.ones_like(angle)
    return np.stack([ones, ones * times, np.cos(angle), np.sin(angle)], axis=-1)


def fit_swing(track: Track) -> Swing:
    """Return mean, drift and the strongest sinusoidal swing of a track.

    Least squares of line + sine over 56 rates from 0.3 to 11 Hz that complete 1.6 cycles, then
    Gauss-Newton on the rate.
    """
    middle = 0.5 * (track.seconds[0] + track.seconds[-1])
    times, cents = track.seconds - middle, track.cents
    length = max(float(times[-1] - times[0]), 1e-6)
    weight = np.sqrt(track.weights / track.weights.max())
    line = np.stack([np.ones_like(times), times], axis=1)
    normal = np.linalg.lstsq(line * weight[:, None], cents * weight, rcond=None)[0]
    left = weight * (cents - line @ normal)
    total = float(left @ left)
    rates = np.geomspace(SLOWEST_HZ, FASTEST_HZ, SCAN_RATES)
    fine = np.arange(max(LEAST_CYCLES / length, SLOWEST_HZ), FASTEST_HZ, 0.4 / length)
    rates = fine if len(fine) < 4 * SCAN_RATES else rates
    rate = 0.0
    fitted, explained = normal, 0.0
    if len(rates) and total > 0 and len(times) > 8:
        rate, fitted, explained = _best_sine(times, cents, weight, rates, total)
    swing = cents - line @ fitted[:2]
    return Swing(
        mean_cents=float(fitted[0]),
        drift_cents_per_second=float(normal[1] if explained < 0.5 else fitted[1]),
        rate_hz=rate,
        depth_cents=_depth(times, swing, rate, track.frame_seconds) if rate else 0.0,
        explained=explained,
        coherence=_coherence(track),
        cycles=rate * length,
        deviation_cents=float(np.sqrt(total / float(weight @ weight))),
    )


def _best_sine(
    times: Array, cents: Array, weight: Array, rates: Array, total: float
) -> tuple[float, Array, float]:
    design = _line_and_sine(times, rates) * weight[:, None]
    transposed = design.transpose(0, 2, 1)
    normal = transposed @ design + 1e-9 * np.eye(4)
    right = transposed @ (weight * cents)
    solved = np.linalg.solve(normal, right[..., None])[..., 0]
    gain = np.sum(solved * right, axis=1)
    rate = float(rates[int(np.argmax(gain))])
    fitted = solved[int(np.argmax(gain))]
    for _ in range(4):
        basis = _line_and_sine(times, rate)
        slope = 2 * np.pi * times * (basis[:, 2] * fitted[3] - basis[:, 3] * fitted[2])
        full = np.concatenate([basis, slope[:, None]], axis=1) * weight[:, None]
        found = np.linalg.lstsq(full, weight * cents, rcond=None)[0]
        limit = 0.2 / max(float(times[-1] - times[0]), 1e-6)
        rate, fitted = rate + float(np.clip(found[4], -limit, limit)), found[:4]
    left = weight * (cents - _line_and_sine(times, rate) @ fitted)
    return rate, fitted, float(max(0.0, 1 - (left @ left) / total))


def _depth(times: Array, swing: Array, rate: float, frame_seconds: float) -> float:
    """80th percentile of the envelope of the swing: a delayed vibrato counts where it is on."""
    step = float(times[1] - times[0])
    length = min(max(3, round(2 / (rate * step))), len(times))
    turned = swing * np.exp(-2j * np.pi * rate * times)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(length) + 0.5) / length)
    frames = np.lib.stride_tricks.sliding_window_view(turned, length)
    envelope = 2 * np.abs(frames @ (window / window.sum()))
    x = rate * frame_seconds
    response = float(np.sinc(x) / max(1 - x**2, 1e-3)) if x < 0.9 else 0.2
    return float(np.quantile(envelope, 0.8)) / max(response * float(np.sinc(rate * step)), 0.2)


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
