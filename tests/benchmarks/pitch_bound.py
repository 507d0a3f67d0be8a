"""Print the error of the pitch of steady tones in white noise against the Cramer-Rao bound.

    python tests/benchmarks/pitch_bound.py [seed]

The bound for the fundamental of a harmonic sum of N samples with amplitudes A_k in noise of
variance s^2 is sqrt(24 s^2 / (N^3 sum k^2 A_k^2)) radians a sample.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from keymapper.measuring.pitch import measure_pitch
from tests.benchmarks.pitch_figures import Figures

SEED = 4711
RATE_HZ = 48000.0
TRIALS = 24
TONES = ((440.0, 1), (440.0, 20), (110.0, 20))


def ratio_to_bound(
    f0_hz: float, harmonics: int, seconds: float, snr_db: float, rng: np.random.Generator
) -> float:
    """Root mean square error over the bound, over all trials."""
    times = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    order = np.arange(1, harmonics + 1)
    amplitudes = 0.2 / order
    deviation = np.sqrt(np.sum(amplitudes**2) / 2 / 10 ** (snr_db / 10))
    errors = []
    for _ in range(TRIALS):
        starts = rng.uniform(0, 1, harmonics)
        sound = rng.normal(0, deviation, len(times))
        for k, amplitude, start in zip(order, amplitudes, starts, strict=True):
            sound += amplitude * np.sin(2 * np.pi * (k * f0_hz * times + start))
        pitch = measure_pitch(sound[:, None], RATE_HZ)
        errors.append((pitch.f0_hz or 0.0) - f0_hz)
    information = len(times) ** 3 * np.sum((order * amplitudes) ** 2)
    bound_hz = np.sqrt(24 * deviation**2 / information) * RATE_HZ / (2 * np.pi)
    return float(np.sqrt(np.mean(np.square(errors))) / bound_hz)


def main() -> int:
    rng = np.random.default_rng(int(sys.argv[1]) if len(sys.argv) > 1 else SEED)
    figures = Figures()
    for f0_hz, harmonics in TONES:
        for seconds in (0.5, 1.0, 2.5, 4.0):
            for snr_db in (20, 30, 40):
                value = ratio_to_bound(f0_hz, harmonics, seconds, snr_db, rng)
                name = f"{f0_hz:g} Hz x {harmonics}, {seconds:g} s, {snr_db} dB: error / bound"
                if f0_hz == 440:
                    figures.at_most(name, value, 2.0)
                else:
                    figures.show(name, value)
    return figures.exit_code


if __name__ == "__main__":
    raise SystemExit(main())
