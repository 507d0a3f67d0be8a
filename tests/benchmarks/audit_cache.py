"""How much faster the second audit of an unchanged pack is: at most 10 % of the first.

    python tests/benchmarks/audit_cache.py [FILES]

Both runs are whole commands in processes of their own; processor time of all workers is counted.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.faulty_packs import Tone

FILES = 500
GOAL = 0.10
PROGRAM = """
import typer
from keymapper.cli.audit import audit
app = typer.Typer(pretty_exceptions_enable=False)
app.command()(audit)
app()
"""


def write_files(folder: Path, count: int) -> None:
    """Sustaining notes of 2 s over 5 octaves in many turns, each with hiss of its own."""
    rng = np.random.default_rng(7)
    tone = Tone.random(rng, sustains=True, stereo=True, rate=48_000)
    notes = {}
    for number in range(count):
        key = 36 + number % 61
        if key not in notes:
            notes[key] = tone.render(key, 1.0, rng)[0]
        sound = notes[key] + 1e-5 * rng.standard_normal(notes[key].shape)
        name = f"Breakwater_{key:03d}_rr{number // 61 + 1}.wav"
        soundfile.write(folder / name, sound, 48_000, subtype="PCM_24")


def run(pack: Path, cache: Path) -> tuple[float, float, bytes]:
    """Processor seconds, wall seconds and output of one audit."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    command = [sys.executable, "-c", PROGRAM, str(pack), "--cache", str(cache), "--json"]
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        command, capture_output=True, check=False, env=environment, cwd=pack.parent
    )
    wall = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    if done.returncode not in (0, 1) or not done.stdout:
        raise SystemExit(done.stderr.decode())
    return spent, wall, done.stdout


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else FILES
    with tempfile.TemporaryDirectory() as place:
        pack, cache = Path(place) / "pack", Path(place) / "cache"
        pack.mkdir()
        write_files(pack, count)
        first, first_wall, told = run(pack, cache)
        second, second_wall, again = run(pack, cache)
    share = second / first
    good = share <= GOAL and told == again
    print(f"{count} files")
    print(f"first audit   {first:7.2f} s processor, {first_wall:7.2f} s wall")
    print(f"second audit  {second:7.2f} s processor, {second_wall:7.2f} s wall")
    print(f"second / first {100 * share:.1f} % (goal: at most {100 * GOAL:.0f} %)")
    print(f"same report: {told == again}")
    print("pass" if good else "FAIL")
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
