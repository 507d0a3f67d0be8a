"""The whole build against reading and writing the same files, on this machine, in this run.

    python tests/benchmarks/build_speed.py

88 notes of 4 s, stereo, 48 kHz, 24 bits. Prints ratios, not times.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from statistics import median

import numpy as np
import soundfile

RATE = 48_000
SECONDS = 4.0
NOTES = 88
ROUNDS = 3
AS_INSTALLED = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
"""An installed program has its byte code; a first run of each command writes what is missing."""


def pad_note(key: int) -> np.ndarray:
    """Seven detuned oscillators on each side, a slow attack and a release, noise under it."""
    rng = np.random.default_rng(key)
    time_s = np.arange(round(SECONDS * RATE)) / RATE
    frequency = 440.0 * 2 ** ((key - 69) / 12)
    harmonics = max(1, min(20, int(0.45 * RATE / frequency)))
    sides = []
    for _ in range(2):
        side = np.zeros_like(time_s)
        for cents in rng.uniform(-8, 8, 7):
            phase = 2 * np.pi * (frequency * 2 ** (cents / 1200) * time_s + rng.random())
            side += sum(np.sin(k * phase) / k for k in range(1, harmonics + 1))
        sides.append(side)
    note = np.stack(sides, axis=1)
    note *= np.minimum(1, time_s / 0.05)[:, None] * np.clip((SECONDS - time_s) / 0.4, 0, 1)[:, None]
    note *= 0.4 / np.abs(note).max()
    note = np.concatenate([np.zeros((2400, 2)), note[:-2400]])
    return note + rng.normal(0, 2e-5, note.shape)


def write_note(where: tuple[str, int]) -> None:
    folder, key = where
    soundfile.write(f"{folder}/pad_{key:03d}.wav", pad_note(key), RATE, subtype="PCM_24")


def read_and_write(folder: Path, copy: Path) -> float:
    start = time.perf_counter()
    for path in sorted(folder.iterdir()):
        samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
        soundfile.write(copy / path.name, samples, rate, subtype="PCM_24")
    return time.perf_counter() - start


def timed(command: list[str]) -> tuple[float, int]:
    """Wall seconds and the peak memory (KiB) of the largest process."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=AS_INSTALLED)
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{command} failed with status {status}")
    return time.perf_counter() - start, usage.ru_maxrss


def build_command(folder: Path, out: Path, workers: int) -> list[str]:
    options = ["--out", str(out), "--force", "--quiet", "--workers", str(workers)]
    return [sys.executable, "-m", "keymapper", "build", str(folder), *options]


def loaded_modules(folder: Path, out: Path) -> str:
    """Return which of the heavy modules a plain build loads."""
    script = (
        "import sys; from keymapper import build_instrument, BuildSettings;"
        "build_instrument(sys.argv[1], sys.argv[2],"
        " settings=BuildSettings(workers=1, replace=True));"
        "print([m for m in ('numba', 'librosa') if m in sys.modules])"
    )
    command = [sys.executable, "-c", script, str(folder), str(out)]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        top = Path(name)
        folder, copy, out = top / "pad", top / "copy", top / "out"
        folder.mkdir()
        copy.mkdir()
        with ProcessPoolExecutor() as pool:
            list(pool.map(write_note, [(str(folder), key) for key in range(21, 21 + NOTES)]))
        plain, one, two, memory = [], [], [], 0
        for _ in range(ROUNDS):
            plain.append(read_and_write(folder, copy))
            seconds, peak = timed(build_command(folder, out, 2))
            two.append(seconds)
            memory = max(memory, peak)
            one.append(timed(build_command(folder, out, 1))[0])
        ratio = median(b / p for b, p in zip(two, plain, strict=True))
        speedup = median(o / t for o, t in zip(one, two, strict=True))
        print(f"reading and writing 88 files      {median(plain):6.2f} s")
        print(f"build, two workers                {median(two):6.2f} s")
        print(f"build : reading and writing       {ratio:6.2f}    must be at most 12")
        print(f"one worker : two workers          {speedup:6.2f}    must be at least 1.7")
        print(f"peak memory of a process          {memory / 1024:6.0f} MB must be under 300")
        print(f"heavy modules loaded by a build   {loaded_modules(folder, out)} must be []")
    helps, typers = [], []
    for _ in range(2 * ROUNDS):
        helps.append(timed([sys.executable, "-m", "keymapper", "--help"])[0])
        typers.append(timed([sys.executable, "-c", "import typer"])[0])
    ratio = median(h / t for h, t in zip(helps, typers, strict=True))
    print(f"--help : import typer             {ratio:6.2f}    must be under 3")


if __name__ == "__main__":
    main()
