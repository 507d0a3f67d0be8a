"""Speed and memory of cutting a long take at 96 kHz, stereo, 24 bits, against reading it once.

``python tests/benchmarks/slicing_speed.py [--minutes 20] [--folder FOLDER]``; 120 minutes make
the two-hour take of 4 GB.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from keymapper.model.session import PatchCall, PlannedNote, SessionSheet
from tests.session_takes import PATCHES, Patch, Recording, render_take

RATE = 96_000
MINUTE = 60.0
LEAST_SPEED = 100.0
MOST_MEGABYTES = 400.0

READ = """
import soundfile, sys
with soundfile.SoundFile(sys.argv[1]) as file:
    while len(file.read(192_000, dtype="float32", always_2d=True)):
        pass
"""
CUT = """
import sys
from pathlib import Path
from keymapper.cutting import cut_takes, read_plan, write_notes
take, plan, out = (Path(name) for name in sys.argv[1:])
report = cut_takes([take], None if plan.name == "none" else read_plan(plan).sheet)
write_notes(report, [take], out, replace=True)
print(len(report.notes), len(report.missing), len(report.extra))
"""


def minute_of_notes(count: int, every: float, held: float) -> list[PlannedNote]:
    """Return a minute of the plan: so many notes, one every so many seconds, held for some."""
    return [
        PlannedNote(
            role="note",
            patch=0,
            key=36 + (number * 7) % 48,
            velocity=40 + 40 * (number % 3),
            round_robin=1,
            on_seconds=1.0 + every * number + 0.02 * (number % 5),
            off_seconds=1.0 + every * number + held,
            until_seconds=0.9 + every * (number + 1),
        )
        for number in range(count)
    ]


def write_session(
    folder: Path, minutes: int, minute: list[PlannedNote], patch: Patch
) -> tuple[Path, Path]:
    """Write a take of so many minutes, as RF64, and its plan."""
    from keymapper.formats.session_sheet import session_sheet_json

    folder.mkdir()
    how = Recording(rate_hz=RATE, channels=2, latency_seconds=0.3, noise_dbfs=-80.0)
    samples = render_take(minute, patch, how).samples
    frames = round(MINUTE * RATE)
    samples = np.concatenate([samples, np.zeros((max(0, frames - len(samples)), 2))])[:frames]
    take = folder / "take.wav"
    with soundfile.SoundFile(take, "w", RATE, 2, "PCM_24", format="RF64") as file:
        for _ in range(minutes):
            file.write(samples)
    notes = [
        PlannedNote(
            role="note",
            patch=0,
            key=note.key,
            velocity=note.velocity,
            round_robin=number + 1,
            on_seconds=note.on_seconds + number * MINUTE,
            off_seconds=note.off_seconds + number * MINUTE,
            until_seconds=note.until_seconds + number * MINUTE,
        )
        for number in range(minutes)
        for note in minute
    ]
    sheet = SessionSheet(
        name="Long Night",
        patches=(PatchCall(name="Long Night"),),
        patch_starts_seconds=(0.0,),
        notes=tuple(notes),
        duration_seconds=minutes * MINUTE,
        channel=1,
        transpose=0,
    )
    plan = folder / "session.json"
    plan.write_bytes(session_sheet_json(sheet))
    return take, plan


def as_flac(take: Path) -> Path:
    """Write a take again as FLAC, beside it."""
    flac = take.with_suffix(".flac")
    with (
        soundfile.SoundFile(take) as source,
        soundfile.SoundFile(flac, "w", RATE, 2, "PCM_24", format="FLAC") as target,
    ):
        for block in source.blocks(RATE * 10, dtype="int32", always_2d=True):
            target.write(block)
    return flac


def measured(program: str, *arguments: Path | str) -> tuple[float, float, str]:
    """Run a program; return its seconds, its peak memory in MB, and what it printed.

    The seconds are those of the clock, or of the processor where a busy machine makes the clock
    the slower of the two. The memory is that of the program; `ru_maxrss` counts its parent too.
    """
    tail = (
        "\nimport json, re, time\nfrom pathlib import Path\n"
        "peak = re.search(r'VmHWM:\\s+(\\d+)', Path('/proc/self/status').read_text())\n"
        "print(json.dumps([time.process_time(), int(peak[1]) / 1024]))\n"
    )
    command = [sys.executable, "-c", program + tail, *map(str, arguments)]
    started = time.perf_counter()
    lines = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()
    clock = time.perf_counter() - started
    seconds, megabytes = json.loads(lines[-1])
    return min(clock, seconds), megabytes, " ".join(lines[:-1])


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=int, default=20)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    passed = True
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        sharp, slow = Patch(release_seconds=0.8), PATCHES["pad"]
        take, plan = write_session(
            folder / "sharp", options.minutes, minute_of_notes(19, 3.0, 1.5), sharp
        )
        slow_take, slow_plan = write_session(
            folder / "slow", options.minutes, minute_of_notes(12, 4.6, 2.8), slow
        )
        cuts = (
            (take, plan, "with its plan"),
            (as_flac(take), plan, "with its plan"),
            (take, "none", "without a plan"),
            (slow_take, slow_plan, "of slow pads"),
            (as_flac(slow_take), slow_plan, "of slow pads"),
            (slow_take, "none", "of slow pads without a plan"),
        )
        for path, sheet, how in cuts:
            reading, _, _ = measured(READ, path)
            seconds, megabytes, counts = measured(CUT, path, sheet, folder / "out")
            speed = options.minutes * MINUTE / seconds
            good = speed >= LEAST_SPEED and megabytes < MOST_MEGABYTES
            passed &= good
            print(
                f"{path.suffix[1:]:5s} {options.minutes} min {how}: {speed:.0f}x real time "
                f"(target {LEAST_SPEED:.0f}), {seconds / reading:.1f}x reading once, "
                f"{megabytes:.0f} MB (target < {MOST_MEGABYTES:.0f}); notes, missing, extra: "
                f"{counts} {'pass' if good else 'FAIL'}"
            )
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
