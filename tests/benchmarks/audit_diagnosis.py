"""How well the diagnosis finds offset, slope, warm-up and outliers of rendered sessions.

    python tests/benchmarks/audit_diagnosis.py [SESSIONS]

Goals: offset within 0.3 cents, slope within 0.15 cents an octave, depth of the warm-up within
10 %, at least 95 % of the outliers. Offsets and depths are 0.5 to 15 cents, 1 to 5 % of the
notes are outliers, keys are shuffled (played upwards, drift cannot be told from scaling).
"""

from __future__ import annotations

import struct
import sys
import tempfile
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[2]))

from keymapper.auditing.audit import AuditSettings, audit_path
from keymapper.model.finding import Diagnosis
from tests.synth import make_tone

FIRST_SEED = 660_000
SESSIONS = 24
KINDS = ("saw", "pulse", "organ", "fm_reed", "pluck", "triangle")
SECONDS_A_NOTE = 6.0
SCATTER_CENTS = 0.1
RATE = 48_000
STARTED = datetime(2026, 11, 20, 21, 30)


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What a session was rendered with."""

    kind: str
    offset: float
    slope: float
    depth: float
    straight: bool
    outliers: frozenset[str]


def render_session(seed: int, folder: Path) -> Truth:
    """Write one file a note, each with the time it was recorded at in a `bext` chunk."""
    rng = np.random.default_rng(seed)
    kind = KINDS[seed % len(KINDS)]
    keys = np.arange(36, 97, int(rng.choice([1, 2])))
    notes = len(keys)
    minutes = rng.permutation(notes) * SECONDS_A_NOTE / 60
    offset = float(rng.choice([-1, 1]) * rng.uniform(0.5, 15))
    slope = float(rng.choice([-1, 1]) * rng.uniform(0.0, 4.0))
    depth = float(rng.choice([-1, 1]) * rng.uniform(0.5, 15))
    straight = bool(rng.random() < 0.5)
    span = minutes.max()
    course = 1 - minutes / span if straight else np.exp(-minutes / (span * rng.uniform(0.1, 0.35)))
    cents = offset + slope * (keys - 60) / 12 + depth * course
    cents += SCATTER_CENTS * rng.standard_normal(notes)
    count = max(1, round(notes * rng.uniform(0.01, 0.05)))
    odd = rng.choice(notes, count, replace=False)
    cents[odd] += rng.choice([-1, 1], count) * rng.uniform(4, 30, count)
    names = [f"Foghorn_{key:03d}.wav" for key in keys]
    for name, key, deviation, minute in zip(names, keys, cents, minutes, strict=True):
        f0_hz = 440 * 2 ** ((key - 69 + deviation / 100) / 12)
        tone = make_tone(kind, float(f0_hz), seconds=1.5, seed=seed)
        soundfile.write(folder / name, 0.5 * tone.samples, RATE, subtype="PCM_24")
        stamp(folder / name, STARTED + timedelta(minutes=float(minute)))
    return Truth(
        kind=kind, offset=offset, slope=slope, depth=depth, straight=straight,
        outliers=frozenset(names[at] for at in odd),
    )  # fmt: skip


def stamp(path: Path, moment: datetime) -> None:
    """Put a `bext` chunk with date and time before the audio."""
    body = bytearray(602)
    body[320:338] = moment.strftime("%Y-%m-%d%H:%M:%S").encode()
    body[346:348] = struct.pack("<H", 1)
    wav = path.read_bytes()
    at = wav.index(b"data")
    content = wav[8:at] + b"bext" + struct.pack("<I", len(body)) + bytes(body) + wav[at:]
    path.write_bytes(b"RIFF" + struct.pack("<I", len(content)) + content)


def diagnosed(folder: Path) -> Diagnosis:
    (audited,) = audit_path(folder, AuditSettings())
    (diagnosis,) = audited.diagnoses
    return diagnosis


def main() -> int:
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else SESSIONS
    good = {"offset": 0, "slope": 0, "depth": 0}
    outliers = found = false = 0
    for seed in range(FIRST_SEED, FIRST_SEED + sessions):
        with tempfile.TemporaryDirectory() as place:
            truth = render_session(seed, Path(place))
            told = diagnosed(Path(place))
        depth = told.warm_up.depth_cents.value if told.warm_up else 0.0
        apart = told.offset_cents.value - truth.offset
        slope = told.slope_cents_per_octave.value - truth.slope
        share = depth / truth.depth - 1
        good["offset"] += abs(apart) <= 0.3
        good["slope"] += abs(slope) <= 0.15
        good["depth"] += abs(share) <= 0.1
        outliers += len(truth.outliers)
        found += len(truth.outliers & set(told.outliers))
        false += len(set(told.outliers) - truth.outliers)
        course = "straight" if truth.straight else "settling"
        print(f"  {truth.kind:<9} {told.notes:3d} notes  {course}"
              f"  depth {truth.depth:+6.2f}  off by: offset {apart:+.2f}  slope {slope:+.3f}  "
              f"depth {100 * share:+.1f} %")  # fmt: skip
    print(f"offset within 0.3 cents:          {good['offset']} of {sessions}")
    print(f"slope within 0.15 cents/octave:   {good['slope']} of {sessions}")
    print(f"depth within 10 %:                {good['depth']} of {sessions}")
    print(f"outliers found: {found} of {outliers} (goal: 95 %), {false} notes wrongly called so")
    passed = min(good.values()) == sessions and found >= 0.95 * outliers
    print("pass" if passed else "FAIL")
    return 0 if passed else 1


if __name__ == "__main__":
    raise SystemExit(main())
