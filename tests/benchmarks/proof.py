"""How long a proof takes and how truly it measures. Run: python tests/benchmarks/proof.py

The instrument has 100 zones (25 roots x 4 velocity layers, stereo, 48 kHz), made from truths with
known faults planted; 88 keys x 4 velocities are held for 3 seconds.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from keymapper.formats.sfz import SfzDocument, SfzHeader, write_sfz
from keymapper.model.proof import Proof
from keymapper.proving.proof import ProofSettings, prove_instrument
from keymapper.workers import Workers

RATE = 48_000
LAYERS = ((1, 48), (49, 80), (81, 112), (113, 127))
TIME_TARGET_SECONDS = 20.0
ROOTS = tuple(round(21 + 87 * number / 24) for number in range(25))
OUT_OF_TUNE = {(5, 0): 6.0, (12, 2): -5.0, (20, 1): 9.0}
TOO_LOUD = {(8, 3): 4.0, (16, 0): -5.0}


def write_zone(folder: Path, number: int, layer: int, random: np.random.Generator) -> SfzHeader:
    """Write one zone's sample; return its region."""
    root, cents = ROOTS[number], float(random.uniform(-20, 20))
    frequency = 440.0 * 2 ** ((root - 69) / 12 + cents / 1200)
    times = np.arange(4 * RATE) / RATE
    sides = []
    for _ in range(2):
        orders = np.arange(1, int(min(40, 18_000 / frequency)) + 1)
        phases = random.uniform(0, 1, len(orders))
        levels = orders ** -(2.0 - 0.25 * layer)
        waves = np.sin(2 * np.pi * (frequency * np.outer(orders, times) + phases[:, np.newaxis]))
        sides.append(levels @ waves)
    sound = np.stack(sides, axis=1)
    sound *= 10 ** ((-20 + TOO_LOUD.get((number, layer), 0.0)) / 20) / np.sqrt(np.mean(sound**2))
    sound[:480] *= np.linspace(0, 1, 480)[:, np.newaxis]
    name = f"zone_{number:02}_{layer}.wav"
    soundfile.write(folder / name, sound, RATE, subtype="PCM_24")
    some = np.arange(round(1.2 * frequency), round(1.8 * frequency) + 40)
    lengths = some * RATE / frequency
    periods = int(some[np.argmin(np.abs(lengths - np.round(lengths)))])
    start = RATE
    low, high = LAYERS[layer]
    first = 21 if number == 0 else (ROOTS[number - 1] + root) // 2 + 1
    last = 108 if number == 24 else (root + ROOTS[number + 1]) // 2
    opcodes = {
        "sample": name,
        "lokey": first,
        "hikey": last,
        "pitch_keycenter": root,
        "tune": round(-cents + OUT_OF_TUNE.get((number, layer), 0.0)),
        "lovel": low,
        "hivel": high,
        "loop_mode": "loop_continuous",
        "loop_start": start,
        "loop_end": start + round(periods * RATE / frequency) - 1,
        "ampeg_release": 0.3,
    }
    return SfzHeader(name="region", opcodes=tuple((k, str(v)) for k, v in opcodes.items()))


def make_instrument(folder: Path, seed: int) -> Path:
    """Write the whole instrument; return its SFZ file."""
    random = np.random.default_rng(seed)
    headers = [write_zone(folder, n, layer, random) for n in range(25) for layer in range(4)]
    file = folder / "harbour-bench.sfz"
    file.write_text(write_sfz(SfzDocument(headers=tuple(headers))), "utf-8")
    return file


def wrong_findings(proof: Proof) -> tuple[int, int]:
    """Return how many planted faults were missed, and how many findings were not planted."""
    planted = {f"zone_{n:02}_{layer}.wav" for n, layer in OUT_OF_TUNE}
    found = {f.file for f in proof.findings if f.rule in ("proof-tuning", "proof-wrong-key")}
    loud = {f"zone_{n:02}_{layer}.wav" for n, layer in TOO_LOUD}
    samples = {(note.key, note.velocity): note.samples[0] for note in proof.notes}
    stepped = set()
    for step in proof.level_steps:
        if abs(step.step_db) > proof.limits.neighbour_level_db:
            beside = {samples[step.key, step.velocity], samples[step.key + 1, step.velocity]}
            stepped |= beside & loud or beside
    other = {f.rule for f in proof.findings} - {
        "proof-tuning",
        "proof-level-step",
        "proof-hand-over",
    }
    missed = len(planted - found) + len(loud - stepped)
    return missed, len(found - planted) + len(stepped - loud) + len(other)


def main() -> int:
    """Print the figures beside their targets."""
    failed = 0
    with tempfile.TemporaryDirectory() as name:
        file = make_instrument(Path(name), seed=77)
        settings = ProofSettings(hold_seconds=2.5, tail_seconds=0.5)
        with Workers(2) as pool:
            before = time.perf_counter()
            proof = prove_instrument(file, settings, pool)
            seconds = time.perf_counter() - before
        before = time.process_time()
        prove_instrument(file, settings)
        cpu_seconds = time.process_time() - before
        before = time.process_time()
        prove_instrument(file, ProofSettings(short=True))
        short_seconds = time.process_time() - before
    failed += cpu_seconds / 2 > TIME_TARGET_SECONDS
    missed, false = wrong_findings(proof)
    failed += missed > 0 or false > 0
    print(f"notes played                  {len(proof.notes):8d}")
    print(f"hand-overs played             {len(proof.hand_overs):8d}")
    print(f"seconds on two cores          {seconds:8.1f}   (target <= {TIME_TARGET_SECONDS:.0f})")
    print(f"CPU seconds / 2               {cpu_seconds / 2:8.1f}   (the same, on an idle machine)")
    print(f"short form, CPU seconds       {short_seconds:8.1f}")
    print(f"planted faults missed         {missed:8d}   (target 0)")
    print(f"findings not planted          {false:8d}   (target 0)")
    print(proof.verdict)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
