"""The pitch of a note against time, from the phases of its strongest harmonics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.pitch.harmonics import Harmonics
from keymapper.measuring.pitch.partials import CENTS_PER_RATIO
from keymapper.measuring.pitch.spectral import hann
from keymapper.measuring.pitch.sustain import Array

FRAME_SECONDS = 0.03
HIGH_FRAME_SECONDS = 0.018
HIGH_HZ = 600.0
STRONGEST = 6
LEVEL_RANGE_DB = 30.0
LARGEST_SWING = 0.035
LEAST_STEPS = 4


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


def pitch_track(
    harmonics: Harmonics,
    agreeing: tuple[int, ...],
    end_seconds: float,
    *,
    largest_swing: float = LARGEST_SWING,
) -> Track | None:
    """Return the pitch against time from the phase advance of the strongest harmonics.

    From the onset on, in frames of four periods (at least 30 ms, 18 ms above 600 Hz) that hop by a
    quarter; None when fewer than four steps fit.

    agreeing : the numbers of the harmonics to listen to.
    largest_swing : ratio by which the pitch may be off and still be followed; fewer harmonics can
        follow a larger one.
    """
    f0_hz, point_hz = harmonics.f0_hz, harmonics.point_hz
    frame = max(4 / f0_hz, HIGH_FRAME_SECONDS if f0_hz > HIGH_HZ else FRAME_SECONDS)
    hop = max(1, round(frame * point_hz / 4))
    length = max(3, round(frame * point_hz))
    signals = harmonics.signals[:, : round(end_seconds * point_hz)]
    if signals.shape[1] < length + LEAST_STEPS * hop:
        return None
    power = np.mean(signals.real**2 + signals.imag**2, axis=1)
    usable = harmonics.orders * f0_hz * largest_swing < 0.5 * point_hz / hop
    rows = _strongest(power, usable & np.isin(harmonics.orders, agreeing))
    orders = harmonics.orders[rows]
    window = hann(length)
    shift = orders * f0_hz - harmonics.centres_hz[rows]
    frames = np.lib.stride_tricks.sliding_window_view(signals[rows], length, axis=1)[:, ::hop]
    values = frames @ (window / window.sum())
    turned = np.exp(-2j * np.pi * shift * hop / point_hz)
    advance = values[:, 1:] * np.conj(values[:, :-1]) * turned[:, None]
    weights = orders[:, None] * np.sqrt(np.abs(advance)) + 1e-20
    turn = np.angle(advance) / (2 * np.pi * orders[:, None] * f0_hz * hop / point_hz)
    by_harmonic = CENTS_PER_RATIO * np.log1p(np.maximum(turn, -0.5))
    steps = np.arange(by_harmonic.shape[1])
    return Track(
        f0_hz=f0_hz,
        seconds=((steps + 0.5) * hop + length / 2) / point_hz,
        cents=np.sum(weights * by_harmonic, axis=0) / weights.sum(axis=0),
        weights=weights.sum(axis=0),
        by_harmonic=by_harmonic,
        harmonic_weights=weights,
        frame_seconds=length / point_hz,
    )


def _strongest(power: Array, usable: Array) -> Array:
    """Return the rows of up to six usable harmonics within 30 dB of the strongest of them."""
    if not usable.any():
        return np.zeros(1, dtype=np.intp)
    loud = usable & (power > power[usable].max() * 10 ** (-LEVEL_RANGE_DB / 10))
    ranked = np.argsort(-np.where(loud, power, -1.0), kind="stable")[:STRONGEST]
    return np.sort(ranked[loud[ranked]])


def part_of(track: Track, start_seconds: float, end_seconds: float) -> Track | None:
    """Return the steps of a track in a range of time; None when there are fewer than four."""
    inside = (track.seconds >= start_seconds) & (track.seconds < end_seconds)
    if np.count_nonzero(inside) < LEAST_STEPS:
        return None
    return Track(
        f0_hz=track.f0_hz,
        seconds=track.seconds[inside],
        cents=track.cents[inside],
        weights=track.weights[inside],
        by_harmonic=track.by_harmonic[:, inside],
        harmonic_weights=track.harmonic_weights[:, inside],
        frame_seconds=track.frame_seconds,
    )
