"""Print CPU time a note of the pitch stage beside three known estimators, in one run.

    python tests/benchmarks/pitch_speed.py

Notes of 4 s at 48 kHz, stereo, one thread, decoding excluded.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from keymapper.measuring.pitch import measure_pitch
from keymapper.measuring.pitch.second_opinion import FRAME, RATE_HZ, activations
from tests.benchmarks.pitch_figures import Figures
from tests.synth import make_tone

Array = npt.NDArray[Any]

NOTE_RATE_HZ = 48000
KINDS = ("saw", "square", "two_saws", "seven_saws", "vibrato", "pluck", "organ", "fm_piano")
RANGE_HZ = (26.0, 4500.0)


def notes() -> list[Array]:
    found = []
    for seed, kind in enumerate(KINDS):
        samples = make_tone(kind, 55.0 * 1.7**seed, seed=seed).samples.astype(np.float32)
        found.append(np.ascontiguousarray(np.repeat(samples, 2, axis=1)[:, :2]))
    return found


def cpu_milliseconds(run: Callable[[Array], object], sounds: list[Array], rounds: int) -> float:
    """Median over notes of the quickest of several rounds."""
    quickest = []
    for sound in sounds:
        times = []
        for _ in range(rounds):
            start = time.process_time()
            run(sound)
            times.append(time.process_time() - start)
        quickest.append(min(times))
    return 1000 * float(np.median(quickest))


def run_yin(sound: Array) -> object:
    import librosa

    low, high = RANGE_HZ
    return librosa.yin(sound.mean(axis=1), fmin=low, fmax=high, sr=NOTE_RATE_HZ, frame_length=4096)


def run_pyin(sound: Array) -> object:
    import librosa

    low, high = RANGE_HZ
    mono = sound.mean(axis=1)
    return librosa.pyin(mono, fmin=low, fmax=high, sr=NOTE_RATE_HZ, frame_length=4096)


def run_praat(sound: Array) -> object:
    import parselmouth

    low, high = RANGE_HZ
    mono = sound.mean(axis=1).astype(np.float64)
    return parselmouth.Sound(mono, NOTE_RATE_HZ).to_pitch_ac(pitch_floor=low, pitch_ceiling=high)


def run_network(sound: Array) -> object:
    import librosa

    mono = librosa.resample(sound.mean(axis=1), orig_sr=NOTE_RATE_HZ, target_sr=int(RATE_HZ))
    frames = np.lib.stride_tricks.sliding_window_view(mono, FRAME)[:: int(RATE_HZ / 100)]
    return activations(frames)


def main() -> int:
    figures, sounds = Figures(), notes()
    for sound in sounds:
        measure_pitch(sound, NOTE_RATE_HZ)
    ours = cpu_milliseconds(lambda sound: measure_pitch(sound, NOTE_RATE_HZ), sounds, 9)
    figures.at_most("pitch stage, CPU ms a note", ours, 8.0)
    for name, run, count, rounds in (
        ("librosa.yin", run_yin, 8, 3),
        ("praat autocorrelation", run_praat, 8, 3),
        ("librosa.pyin", run_pyin, 2, 1),
        ("network on every frame (10 ms)", run_network, 3, 1),
    ):
        run(sounds[0])
        theirs = cpu_milliseconds(run, sounds[:count], rounds)
        print(f"{name:48s} {theirs:12.2f}   {theirs / ours:8.1f} x ours")
    return figures.exit_code


if __name__ == "__main__":
    with threadpool_limits(1):
        raise SystemExit(main())
