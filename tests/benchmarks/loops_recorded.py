"""Loops of the recordings inside a General MIDI sound font, cut where people ended their loops.

Run: python tests/benchmarks/loops_recorded.py [sound font] [held | decided]
The loop search sees what the makers of the font left: instruments from organs to choirs, channel by
channel, often under a second. Half of the recordings, by checksum of their names, were used to
decide on; the other half is held for figures. Beside ours: the loops that people made. What decays
or is too short is told, not judged. The figures are of Debian's fluid-soundfont-gm.
"""

from __future__ import annotations

import hashlib
import struct
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from loops import check, join_only_db, percent

from keymapper.measuring.join import join_audibility
from keymapper.measuring.loops import bake_loop, find_loop, flattened
from keymapper.measuring.note import measured_note
from keymapper.model.loop import JoinAudibility, Loop

FONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
RECORDING_HEADER = struct.Struct("<20s5I6x")
SHORTEST_LOOP_FRAMES = 16
LONG_SECONDS = 2.1
LEAST_LONG_PERCENT, LEAST_PERCENT, LEAST_JOIN_PERCENT = 97, 73, 97


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorded:
    """One recording up to the end of the loop that someone made: mono, shape (frames, 1)."""

    name: str
    samples: np.ndarray
    rate: int
    theirs: Loop

    def seconds(self) -> float:
        return len(self.samples) / self.rate


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """How audible our loop of a recording is (None where it has none), and theirs."""

    seconds: float
    ours: JoinAudibility | None
    theirs: JoinAudibility


def riff_chunks(data: np.ndarray, first: int, last: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield name, start and length of each chunk of a RIFF file, those of lists too."""
    while first + 8 <= last:
        name = data[first : first + 4].tobytes()
        length = int(data[first + 4 : first + 8].view("<u4")[0])
        yield name, first + 8, length
        if name == b"LIST":
            yield from riff_chunks(data, first + 12, first + 8 + length)
        first += 8 + length + length % 2


def recordings(font: Path, held: bool) -> Iterator[Recorded]:
    """Yield the looped recordings of one half of a sound font."""
    data = np.fromfile(font, dtype=np.uint8)
    places = {name: (at, length) for name, at, length in riff_chunks(data, 12, len(data))}
    at, length = places[b"smpl"]
    audio = data[at : at + length].view("<i2")
    at, length = places[b"shdr"]
    headers = data[at : at + length - length % RECORDING_HEADER.size].tobytes()
    for title, first, _, start, end, rate in RECORDING_HEADER.iter_unpack(headers):
        name = title.split(b"\0")[0].decode("latin-1")
        odd = hashlib.sha256(name.encode()).digest()[0] % 2 == 1
        if odd is not held or not first < start < end - SHORTEST_LOOP_FRAMES < len(audio):
            continue
        samples = (audio[first:end] / np.float32(32768))[:, None]
        theirs = Loop(start_frame=start - first, end_frame=end - first)
        yield Recorded(name=name, samples=samples, rate=rate, theirs=theirs)


def judged(note: Recorded) -> Outcome:
    samples, rate = note.samples, note.rate
    verdict = find_loop(samples, rate, f0_hz=measured_note(samples, rate).pitch.f0_hz)
    ours = None
    if verdict.loop is not None:
        shipped = np.rint(bake_loop(samples, rate, verdict) * 32767) / 32767
        ours = join_audibility(flattened(samples, rate, verdict), shipped, rate, verdict.loop)
    theirs = join_audibility(samples, samples, rate, note.theirs)
    return Outcome(seconds=note.seconds(), ours=ours, theirs=theirs)


def is_lively(heard: JoinAudibility) -> bool:
    return heard.frozen_db is not None and heard.frozen_db <= 1


def row(name: str, notes: list[Outcome]) -> tuple[float, float]:
    """Print one row; return the inaudible share of our loops, and without repetition."""
    ours = [note.ours for note in notes if note.ours is not None]
    full = percent(one.worst_db <= 0 for one in ours)
    join = percent(join_only_db(one) <= 0 for one in ours)
    lively = percent(one.worst_db <= 0 and is_lively(one) for one in ours)
    theirs = [note.theirs for note in notes if note.ours is not None]
    print(
        f"{name:12s} looped {len(ours):3d} of {len(notes):3d}   inaudible {full:5.1f} %   "
        f"join only {join:5.1f} %   and lively {lively:5.1f} %   "
        f"median {np.median([one.worst_db for one in ours]):5.1f} dB   "
        f"theirs {percent(one.worst_db <= 0 for one in theirs):5.1f} %, "
        f"join only {percent(join_only_db(one) <= 0 for one in theirs):5.1f} %"
    )
    return full, join


def main() -> int:
    font = Path(sys.argv[1]) if len(sys.argv) > 1 else FONT
    if not font.is_file():
        print("skipped (needs a General MIDI sound font)")
        return 0
    held = "decided" not in sys.argv[2:]
    with ProcessPoolExecutor() as pool:
        notes = list(pool.map(judged, recordings(font, held), chunksize=8))
    edges = (0.0, 0.5, 1.0, LONG_SECONDS, np.inf)
    for low, high in pairwise(edges):
        row(f"{low:g} s and up", [note for note in notes if low <= note.seconds < high])
    full, join = row("all", notes)
    of_long, _ = row("long", [note for note in notes if note.seconds >= LONG_SECONDS])
    check("2 s of sustain and more, inaudible %", of_long, LEAST_LONG_PERCENT, True)
    check("all, inaudible %", full, LEAST_PERCENT, True)
    check("all, join only %", join, LEAST_JOIN_PERCENT, True)
    good = of_long >= LEAST_LONG_PERCENT and full >= LEAST_PERCENT and join >= LEAST_JOIN_PERCENT
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
