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
    "aperiodicity_of_two",
    "aperiodicity_of_half",
    "comb",
    "fundamental",
    "between_thirds",
    "harmonics_present",
    "lowest_strong",
    "low_energy",
    "odd_energy",
    "third_peak",
    "unexplained_energy",
    "unexplained_level",
    "misfit",
    "crowd",
)
PEAK_FLOOR_DB = -60.0
PRESENT = 0.05
"""Salience from which a harmonic counts as there."""
LOW_HARMONICS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """The fitted softmax: one slope a feature, the score of "no pitch", the second opinion."""

    slopes: tuple[float, ...]
    no_pitch: float
    second_opinion: float


@cache
def load_weights() -> Weights:
    """Return the weights that tests/fit_pitch_weights.py wrote."""
    file = resources.files("keymapper.measuring.pitch") / "weights.json"
    stored = json.loads(file.read_text(encoding="utf-8"))
    slopes = tuple(float(stored["slopes"][name]) for name in FEATURES)
    return Weights(
        slopes=slopes,
        no_pitch=float(stored["no_pitch"]),
        second_opinion=float(stored["second_opinion"]),
    )


def candidate_features(spectrum: Spectrum, f0_hz: Array) -> Array:
    """Return the features of each candidate, shape (candidates, len(FEATURES)).

    A peak counts as explained by a candidate when it lies within 30 to 60 cents of a harmonic.
    Levels of peaks are in dB below the strongest, floor -60.

    f0_hz : shape (candidates,), Hz.
    """
    peaks, energies = spectrum.peaks_hz, spectrum.energies
    level = np.maximum(spectrum.peaks_db, PEAK_FLOOR_DB) - PEAK_FLOOR_DB
    order = np.maximum(np.rint(peaks / f0_hz[:, None]), 1.0)
    expected = order * f0_hz[:, None]
    tolerance = np.clip(1731 * 1.4 * spectrum.bin_hz / expected, 30, 60)
    cents = np.abs(1731.234 * np.log(peaks / expected))
    explained = cents < tolerance
    strong = explained & (level > -PEAK_FLOOR_DB / 2)
    total = float(energies.sum()) + 1e-12
    multiples, comb = comb_weights()

    def strongest(chosen: Array) -> Array:
        return np.asarray(np.where(chosen, level, 0.0).max(axis=1, initial=0.0)) / 20

    def energy_of(chosen: Array) -> Array:
        return np.asarray(np.log10(chosen @ energies / total + 1e-3))

    def aperiodicity(periods: float) -> Array:
        height = correlation_at(spectrum.nac, periods * spectrum.rate_hz / f0_hz)
        return np.asarray(np.log10(np.maximum(1.02 - height, 0.005)))

    def salience(multiple: Array) -> Array:
        return salience_at(spectrum, f0_hz[:, None] * multiple)

    columns = {
        "aperiodicity": aperiodicity(1.0),
        "aperiodicity_of_two": aperiodicity(2.0),
        "aperiodicity_of_half": aperiodicity(0.5),
        "comb": salience(multiples) @ comb,
        "fundamental": salience(np.ones(1))[:, 0],
        "between_thirds": salience(np.array([0.75, 1.5])).max(axis=1),
        "harmonics_present": np.mean(salience(np.arange(1.0, 9)) > PRESENT, axis=1),
        "lowest_strong": np.log2(np.where(strong, order, 64.0).min(axis=1, initial=64.0)),
        "low_energy": energy_of(explained & (order <= LOW_HARMONICS)),
        "odd_energy": energy_of(explained & (order % 2 == 1)),
        "third_peak": strongest(explained & (order % 3 != 0)),
        "unexplained_energy": np.log10((~explained) @ energies / total + 1e-4),
        "unexplained_level": np.log10((~explained) @ level / (level.sum() + 1e-9) + 0.02),
        "misfit": _mean(np.where(explained, cents, 0.0), explained * np.sqrt(energies)) / 30,
        "crowd": np.full(len(f0_hz), np.log10(total)),
    }
    return np.stack([columns[name] for name in FEATURES], axis=1)


def _mean(values: Array, weights: Array) -> Array:
    return np.asarray(np.sum(weights * values, axis=1) / (weights.sum(axis=1) + 1e-9))


def candidate_scores(features: Array, weights: Weights) -> Array:
    """Return the logarithmic odds of each candidate against "no pitch at all"."""
    return np.asarray(features @ np.array(weights.slopes)) - weights.no_pitch


def probabilities(scores: Array) -> Array:
    """Return the softmax of scores and of "no pitch" (score 0), shape (candidates + 1,)."""
    padded = np.append(scores, 0.0)
    odds = np.exp(padded - padded.max())
    return np.asarray(odds / odds.sum())
