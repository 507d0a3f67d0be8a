"""How well each candidate explains the sound, in a few plain numbers, and the odds of each."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from keymapper.measuring.pitch.candidates import comb_weights
from keymapper.measuring.pitch.spectra import Spectrum, correlation_at, salience_at
from keymapper.measuring.pitch.sustain import Array

FEATURES = (
    "aperiodicity",
    "comb",
    "unexplained_peak",
    "odd_peak",
    "third_peak",
    "fundamental",
    "unexplained_energy",
    "height",
)
PEAK_FLOOR_DB = -60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """The fitted softmax: one slope a feature, and the odds of "no pitch at all"."""

    slopes: tuple[float, ...]
    no_pitch: float


@cache
def load_weights() -> Weights:
    """Return the weights that tests/fit_pitch_weights.py wrote."""
    file = resources.files("keymapper.measuring.pitch") / "weights.json"
    stored = json.loads(file.read_text(encoding="utf-8"))
    slopes = tuple(float(stored["slopes"][name]) for name in FEATURES)
    return Weights(slopes=slopes, no_pitch=float(stored["no_pitch"]))


def candidate_features(spectrum: Spectrum, f0_hz: Array) -> Array:
    """Return the features of each candidate, shape (candidates, len(FEATURES)).

    A peak counts as explained by a candidate when it lies within 30 to 60 cents of a harmonic.
    Peak features are levels below the strongest peak over 20 dB, floor -3.

    f0_hz : shape (candidates,), Hz.
    """
    count = len(f0_hz)
    peaks, level = spectrum.peaks_hz, np.maximum(spectrum.peaks_db, PEAK_FLOOR_DB) / 20
    order = np.maximum(np.rint(peaks / f0_hz[:, None]), 1.0)
    expected = order * f0_hz[:, None]
    tolerance = np.clip(1731 * 1.4 * spectrum.bin_hz / expected, 30, 60)
    explained = np.abs(1731.234 * np.log(peaks / expected)) < tolerance

    def strongest(chosen: Array) -> Array:
        masked = np.where(chosen, level, PEAK_FLOOR_DB / 20)
        return np.asarray(masked.max(axis=1, initial=PEAK_FLOOR_DB / 20))

    multiples, comb = comb_weights()
    total = spectrum.energies.sum() + 1e-12
    loose = np.sum(np.where(explained, 0.0, spectrum.energies), axis=1) / total
    nac = correlation_at(spectrum.nac, spectrum.rate_hz / f0_hz)
    columns = [
        np.log10(np.maximum(1.02 - nac, 0.005)),
        salience_at(spectrum, f0_hz[:, None] * multiples) @ comb,
        strongest(~explained),
        strongest(explained & (order % 2 == 1)),
        strongest(explained & (order % 3 != 0)),
        salience_at(spectrum, f0_hz),
        np.log10(loose + 1e-4),
        np.log2(f0_hz / 220),
    ]
    return np.stack(columns, axis=1).reshape(count, len(FEATURES))


def candidate_scores(features: Array, weights: Weights) -> Array:
    """Return the logarithmic odds of each candidate against "no pitch at all"."""
    return np.asarray(features @ np.array(weights.slopes)) - weights.no_pitch


def probabilities(scores: Array) -> Array:
    """Return the softmax of scores and of "no pitch" (score 0), shape (candidates + 1,)."""
    padded = np.append(scores, 0.0)
    odds = np.exp(padded - padded.max())
    return np.asarray(odds / odds.sum())
