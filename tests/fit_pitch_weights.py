"""Fit the weights of the coarse pitch stage on tones of our own making.

    python tests/fit_pitch_weights.py

writes keymapper/measuring/pitch/weights.json; running it again gives the same file. No recording
takes part. Every tone counts as it is and in three worse variants: a short piece of it, filtered,
and noisy.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from keymapper.measuring.pitch.candidates import find_candidates
from keymapper.measuring.pitch.features import FEATURES, candidate_features, probabilities
from keymapper.measuring.pitch.measure import SURE
from keymapper.measuring.pitch.second_opinion import second_opinion
from keymapper.measuring.pitch.spectra import average_spectrum
from keymapper.measuring.pitch.sustain import Sustain, find_sustain, mono_mix
from tests.measuring.pitch.instrument_tones import (
    INSTRUMENTS,
    RANGES_HZ,
    UNPITCHED,
    make_instrument_tone,
)
from tests.synth import KINDS, make_tone
from tests.synth_parts import Tone

Array = npt.NDArray[Any]

SEED = 20250
SYNTH_NOTES = 16
INSTRUMENT_NOTES = 32
UNPITCHED_NOTES = 80
LEFT_OUT = frozenset({"sub_oscillator", "fifth"})
INHARMONIC = frozenset({"fm_bell", "fm_clang"})
INHARMONIC_SHARE = 3
RIGHT_CENTS = 60.0
LABEL_DOUBT = 0.005
SHRINKAGE = 3e-6
TARGET = Path(__file__).parent.parent / "keymapper" / "measuring" / "pitch" / "weights.json"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One sound: its candidates' features, which are right, and what it was made as."""

    features: Array
    right: Array
    f0_hz: Array
    tone: Tone
    variant: str
    sustain: Sustain


def corpus_tones(seed: int, size: float = 1.0) -> Iterator[Tone]:
    """Tones of every kind over its range of pitch, but for the octave that is a matter of taste.

    Inharmonic kinds come more often: with them the fit learns to be unsure.
    """
    rng = np.random.default_rng(seed)

    def draw(low: float, high: float) -> dict[str, Any]:
        return {
            "f0_hz": float(low * (high / low) ** rng.random()),
            "seconds": float(rng.uniform(1.0, 2.4)),
            "rate_hz": float(rng.choice([44100, 48000])),
            "seed": int(rng.integers(2**31)),
        }

    for kind in sorted(KINDS.keys() - LEFT_OUT):
        notes = SYNTH_NOTES * (INHARMONIC_SHARE if kind in INHARMONIC else 1)
        for _ in range(round(notes * size)):
            yield make_tone(kind, **draw(26.5, 4300))
    for kind in INSTRUMENTS:
        for _ in range(round(INSTRUMENT_NOTES * size)):
            yield make_instrument_tone(kind, **draw(*RANGES_HZ[kind]))
    for kind in UNPITCHED:
        for _ in range(round(UNPITCHED_NOTES * size)):
            yield make_instrument_tone(kind, **draw(60, 1500))


def variants(tone: Tone, rng: np.random.Generator) -> dict[str, Array]:
    """The tone as it is, a piece of 0.2 to 0.8 s, filtered, and with noise and hum."""
    sound, rate_hz = tone.samples, tone.rate_hz
    frames = len(sound)
    length = min(frames, round(rng.uniform(0.2, 0.8) * rate_hz))
    start = int(rng.integers(0, max(1, frames // 2 - length // 2)))
    frequency = np.fft.rfftfreq(frames, 1 / rate_hz)[:, None] + 1e-6
    base = tone.f0_hz or 200.0
    if rng.random() < 0.5:
        gain = 1 / (1 + (frequency / (base * rng.uniform(1.2, 10))) ** 4)
    else:
        gain = 1 / (1 + (base * rng.uniform(0.3, 2) / frequency) ** 4)
    filtered = np.fft.irfft(np.fft.rfft(sound, axis=0) * np.sqrt(gain), frames, axis=0)
    level = sound.std() * 10 ** (-rng.uniform(3, 35) / 20)
    hum = np.sin(2 * np.pi * 50 * np.arange(frames) / rate_hz)[:, None]
    noisy = sound + level * (rng.standard_normal(sound.shape) + 0.3 * hum)
    return {
        "original": sound,
        "piece": sound[start : start + length],
        "filtered": filtered,
        "noisy": noisy,
    }


def cases(seed: int, size: float = 1.0) -> Iterator[Case]:
    """Cases to fit on or to test with."""
    rng = np.random.default_rng(seed + 1)
    for tone in corpus_tones(seed, size):
        for variant, sound in variants(tone, rng).items():
            sustain = find_sustain(mono_mix(sound), tone.rate_hz)
            if sustain is None:
                continue
            spectrum = average_spectrum(sustain)
            f0_hz = find_candidates(spectrum)
            if not len(f0_hz):
                continue
            right = np.zeros(len(f0_hz), dtype=bool)
            if tone.f0_hz is not None:
                right = np.abs(1200 * np.log2(f0_hz / tone.f0_hz)) < RIGHT_CENTS
            yield Case(
                features=candidate_features(spectrum, f0_hz),
                right=right,
                f0_hz=f0_hz,
                tone=tone,
                variant=variant,
                sustain=sustain,
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """All cases in one padded array: features (cases, candidates + 1, features), last = none."""

    features: Array
    right: Array
    valid: Array


def table_of(cases_found: Iterable[Case]) -> Table:
    """Pad the cases; the last place of each row means "no pitch"."""
    found = [(case.features, case.right, case.tone.f0_hz is None) for case in cases_found]
    most = max(len(right) for _, right, _ in found) + 1
    count = len(FEATURES) + 1
    features = np.zeros((len(found), most, count))
    right = np.zeros((len(found), most), dtype=bool)
    valid = np.zeros((len(found), most), dtype=bool)
    for row, (columns, hits, unpitched) in enumerate(found):
        size = len(hits)
        features[row, :size, :-1] = columns
        features[row, :size, -1] = -1.0
        right[row, :size] = hits
        right[row, -1] = unpitched
        valid[row, :size] = True
        valid[row, -1] = True
    return Table(features=features, right=right, valid=valid)


def fit(table: Table) -> Array:
    """Maximise sum log((1 - e) p(right) + e / 20), slightly shrunk, by quasi-Newton steps."""
    from scipy.optimize import minimize

    usable = table.right.any(axis=1)
    features, right = table.features[usable], table.right[usable]
    valid = table.valid[usable]
    scale = features[valid].std(axis=0) + 1e-9
    scaled = features / scale

    def loss(slopes: Array) -> tuple[float, Array]:
        scores = np.where(valid, scaled @ slopes, -1e9)
        odds = np.exp(scores - scores.max(axis=1, keepdims=True))
        odds /= odds.sum(axis=1, keepdims=True)
        good = np.where(right, odds, 0.0)
        hit = good.sum(axis=1)
        mixed = (1 - LABEL_DOUBT) * hit + LABEL_DOUBT / 20
        pull = ((1 - LABEL_DOUBT) / mixed)[:, None] * (good - odds * hit[:, None])
        gradient = -np.einsum("ij,ijk->k", pull, scaled) / len(hit)
        value = -np.mean(np.log(mixed)) + SHRINKAGE * slopes @ slopes
        return float(value), gradient + 2 * SHRINKAGE * slopes

    start = np.zeros(features.shape[2])
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 500})
    return np.asarray(found.x / scale)


def fit_opinion(found: Iterable[Case], slopes: Array) -> float:
    """Return the weight of the second opinion that makes the unsure cases likeliest."""
    likelihoods = np.zeros(21)
    weights = np.linspace(0, 1, len(likelihoods))
    for case in found:
        scores = case.features @ slopes[:-1] - slopes[-1]
        if probabilities(scores).max() >= SURE:
            continue
        opinion = second_opinion(case.sustain, case.f0_hz)
        right = np.append(case.right, case.tone.f0_hz is None)
        for place, weight in enumerate(weights):
            odds = probabilities(scores + weight * opinion)
            hit = float(odds[right].sum())
            likelihoods[place] += np.log((1 - LABEL_DOUBT) * hit + LABEL_DOUBT / 20)
    return float(weights[int(np.argmax(likelihoods))])


def main() -> None:
    slopes = fit(table_of(cases(SEED)))
    weights = {
        "made_by": "tests/fit_pitch_weights.py",
        "slopes": {name: round(float(s), 4) for name, s in zip(FEATURES, slopes, strict=False)},
        "no_pitch": round(float(slopes[-1]), 4),
        "second_opinion": round(fit_opinion(cases(SEED), slopes), 4),
    }
    TARGET.write_text(json.dumps(weights, indent=2) + "\n", encoding="utf-8")
    print(TARGET.read_text(encoding="utf-8"), end="")


if __name__ == "__main__":
    main()
