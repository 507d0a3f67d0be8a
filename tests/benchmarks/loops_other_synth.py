"""Loops of notes that another synth plays from recorded instruments: stand-ins for real notes.

Run: python tests/benchmarks/loops_other_synth.py
Every program of the families that sustain, held for 3 s, at four keys; reverb and chorus by turns.
Judged as shipped, by the join measure. The sound font's own loops make many of these notes easier
than recordings are; what decays is told, not judged.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from loops import check, join_only_db, percent
from other_synth import EFFECTS, RATE, rendered_by_another_synth, synth_is_there

from keymapper.measuring.join import join_audibility
from keymapper.measuring.loops import bake_loop, find_loop, flattened
from keymapper.measuring.note import measured_note
from keymapper.model.loop import JoinAudibility
from keymapper.model.session import PatchCall, SessionSettings
from keymapper.planning.sheet import plan_session

FAMILIES = {
    "organs": range(16, 24),
    "bowed": (*range(40, 45), *range(48, 55)),
    "brass": range(56, 64),
    "reeds": range(64, 72),
    "pipes": range(72, 80),
    "leads": range(80, 88),
    "pads": range(88, 96),
}
HOLD_SECONDS, RELEASE_SECONDS = 3.0, 1.5
LEAST_PERCENT = 97
SILENT = "it is silent"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One note: how audible its loop is, or why it has none."""

    program: int
    key: int
    heard: JoinAudibility | None
    reason: str


def outcomes(program: int) -> list[Outcome]:
    """Return what becomes of four notes of one program."""
    sheet = plan_session(
        SessionSettings(
            lowest_key=38 + 5 * (program % 2),
            highest_key=79,
            every=12,
            velocities=(90,),
            hold_seconds=HOLD_SECONDS,
            release_seconds=RELEASE_SECONDS,
            sync_notes=0,
            patches=(PatchCall(name="Other", program=program),),
        )
    )
    take = rendered_by_another_synth(sheet, EFFECTS[program % len(EFFECTS)])
    frames = round((HOLD_SECONDS + RELEASE_SECONDS) * RATE)
    results = []
    for note in sheet.notes:
        first = round(note.on_seconds * RATE)
        samples = take[first : first + frames].astype(np.float32)
        heard, reason = judged(samples)
        results.append(Outcome(program=program, key=note.key, heard=heard, reason=reason))
    return results


def judged(samples: np.ndarray) -> tuple[JoinAudibility | None, str]:
    verdict = find_loop(samples, RATE, f0_hz=measured_note(samples, RATE).pitch.f0_hz)
    if verdict.loop is None:
        return None, verdict.reason
    shipped = np.rint(bake_loop(samples, RATE, verdict) * 8388607) / 8388607
    level = flattened(samples, RATE, verdict)
    return join_audibility(level, shipped, RATE, verdict.loop), verdict.reason


def rows(notes: list[Outcome]) -> Iterator[str]:
    for name, programs in FAMILIES.items():
        family = [note for note in notes if note.program in programs and note.reason != SILENT]
        heard = [note.heard for note in family if note.heard is not None]
        worst = [one.worst_db for one in heard]
        yield (
            f"{name:8s} looped {len(heard):3d} of {len(family):3d}   inaudible "
            f"{percent(value <= 0 for value in worst):5.1f} %   median {np.median(worst):6.1f} dB"
        )
        for note in family:
            if note.heard is None:
                yield f"         program {note.program}, key {note.key}: {note.reason}"


def main() -> int:
    if not synth_is_there():
        print("skipped (needs fluidsynth and a General MIDI sound font)")
        return 0
    programs = [program for family in FAMILIES.values() for program in family]
    with ProcessPoolExecutor() as pool:
        notes = [note for some in pool.map(outcomes, programs) for note in some]
    print("\n".join(rows(notes)))
    heard = [note.heard for note in notes if note.heard is not None]
    full = percent(one.worst_db <= 0 for one in heard)
    join = percent(join_only_db(one) <= 0 for one in heard)
    check("inaudible %", full, LEAST_PERCENT, True)
    check("join only %", join, LEAST_PERCENT, True)
    return 0 if min(full, join) >= LEAST_PERCENT else 1


if __name__ == "__main__":
    sys.exit(main())
