"""The pitch of a perfectly steady tone, as exact as its noise allows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.pitch.fine import FinePitch
from keymapper.measuring.pitch.partials import CENTS_PER_RATIO
from keymapper.measuring.pitch.sustain import Array

MARGIN_PERIODS = 4.0
MARGIN_SECONDS = 0.01
MOST_BLOCKS = 16
POINTS_A_BLOCK = 4
LEAST_POINTS = 16
LARGEST_TURN_RADIANS = 0.8
"""Rms of the phases of a harmonic that is followed without slipping a turn."""
STRAIGHT_RATIO = 4.0
LEAST_LINE_SHARE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseLine:
    """Pitch by the slope of the phases, and its standard error."""

    f0_hz: float
    error_cents: float


def phase_line(fine: FinePitch, end_seconds: float) -> PhaseLine | None:
    """Return the slope of the harmonics' phases over the whole note, or None when they bend.

    Least squares on phase, each point weighted by its power: at the Cramer-Rao bound for a steady
    tone in white noise (Tretter 1985). Believed only when what remains has no slow part: the
    variance of up to 16 block means is no more than four times what the noise from point to point
    explains.

    end_seconds : end of the sound, from the onset.
    """
    harmonics, vote = fine.harmonics, fine.vote
    if vote.line_share < LEAST_LINE_SHARE or fine.is_period or vote.inharmonicity != 0:
        return None
    margin = max(MARGIN_PERIODS / fine.f0_hz, MARGIN_SECONDS)
    first = round(margin * harmonics.point_hz)
    last = round((end_seconds - margin) * harmonics.point_hz)
    rows = np.flatnonzero(np.isin(harmonics.orders, vote.agreeing))
    if last - first < LEAST_POINTS:
        return None
    orders = harmonics.orders[rows, None].astype(np.float64)
    signals = harmonics.signals[rows, first:last]
    times = np.arange(last - first) / harmonics.point_hz
    times -= times.mean()
    shift = orders * vote.f0_hz - harmonics.centres_hz[rows, None]
    still = signals * np.exp(-2j * np.pi * shift * times)
    mean = still.sum(axis=1, keepdims=True)
    turned = still * np.conj(mean) / (np.abs(mean) + 1e-30)
    return _fit(turned, orders, times, vote.f0_hz)


def _fit(turned: Array, orders: Array, times: Array, f0_hz: float) -> PhaseLine | None:
    """Fit one frequency offset to the phases of all harmonics, and judge what remains."""
    phases = np.angle(turned)
    power = turned.real**2 + turned.imag**2
    weight = power / power.sum(axis=1, keepdims=True)
    clear = np.sqrt(np.sum(weight * phases**2, axis=1)) < LARGEST_TURN_RADIANS
    if not clear.any():
        return None
    phases, power, weight, orders = phases[clear], power[clear], weight[clear], orders[clear]
    away = times - (weight @ times)[:, None]
    phases = phases - np.sum(weight * phases, axis=1, keepdims=True)
    pull = float(np.sum(power * orders * away * phases))
    inertia = float(np.sum(power * (orders * away) ** 2))
    offset_hz = pull / inertia / (2 * np.pi)
    left = phases - 2 * np.pi * offset_hz * orders * away
    common = np.sum(power * orders * left, axis=0) / np.sum(power * orders**2, axis=0)
    noise = 0.5 * float(np.mean(np.diff(common) ** 2))
    count = min(MOST_BLOCKS, len(common) // POINTS_A_BLOCK)
    size = len(common) // count
    blocks = common[: size * count].reshape(count, size).mean(axis=1)
    if float(np.var(blocks)) * size > STRAIGHT_RATIO * noise:
        return None
    spread = float(np.sum((power * orders * away) ** 2 * left**2))
    sigma_hz = np.sqrt(spread) / inertia / (2 * np.pi)
    return PhaseLine(f0_hz=f0_hz + offset_hz, error_cents=float(CENTS_PER_RATIO * sigma_hz / f0_hz))
