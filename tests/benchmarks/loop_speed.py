"""CPU time and extra memory of finding and baking the loop of one 4 s stereo note at 48 kHz.

Run: python tests/benchmarks/loop_speed.py
One thread, process time (not the clock), each note timed three times and the least taken.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from keymapper.measuring.join import join_audibility
from keymapper.measuring.loops import bake_loop, find_loop, flattened
from tests.moving_notes import NASTY, SUSTAINING, moving_note

RATE = 48000
FRAMES = 4 * RATE
ROUNDS = 3
MEDIAN_MS, SLOWEST_MS, EXTRA_MB = 40, 60, 40


def four_seconds(kind: str, seed: int) -> np.ndarray:
    """The sustain of a note, stereo, repeated to exactly 4 s (played as if at 48 kHz)."""
    note = moving_note(kind, seed)
    held = note.samples[: note.note_off_frame]
    both = np.concatenate([held, held[::-1]])[:FRAMES]
    both = np.concatenate([both, np.zeros((FRAMES - len(both), both.shape[1]), np.float32)])
    return np.ascontiguousarray(np.broadcast_to(both, (FRAMES, 2)))


def process_ms(samples: np.ndarray) -> float:
    begin = time.process_time()
    bake_loop(samples, RATE, find_loop(samples, RATE))
    return 1000 * (time.process_time() - begin)


def extra_mb(samples: np.ndarray) -> float:
    tracemalloc.start()
    bake_loop(samples, RATE, find_loop(samples, RATE))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def judging_ms(samples: np.ndarray) -> float | None:
    verdict = find_loop(samples, RATE)
    if verdict.loop is None:
        return None
    shipped, level = bake_loop(samples, RATE, verdict), flattened(samples, RATE, verdict)
    begin = time.process_time()
    join_audibility(level, shipped, RATE, verdict.loop)
    return 1000 * (time.process_time() - begin)


def main() -> None:
    notes = [four_seconds(kind, seed) for kind in [*NASTY, *SUSTAINING] for seed in (1, 3)]
    process_ms(notes[0])
    spent = [min(process_ms(note) for _ in range(ROUNDS)) for note in notes]
    median, slowest = float(np.median(spent)), float(np.quantile(spent, 0.95))
    memory = max(extra_mb(note) for note in notes[::4])
    judging = [ms for ms in map(judging_ms, notes[::4]) if ms is not None]
    for name, value, target in (
        ("find and bake, median ms", median, MEDIAN_MS),
        ("find and bake, 95th percentile ms", slowest, SLOWEST_MS),
        ("extra memory, MB", memory, EXTRA_MB),
    ):
        print(f"{'pass' if value <= target else 'FAIL'}  {name}: {value:.1f} (<= {target})")
    print(f"      the join measure, median ms: {np.median(judging):.0f}")


if __name__ == "__main__":
    main()
