"""Render the session of "Lamplight Lead": its plan, and the take that playing it gave.

    python sample_sets/render_session.py [FOLDER]

FOLDER is `session` beside this script unless given; it must hold `recipe.toml`. The same bytes
every time, but for the encoder inside libsndfile: `truth.json` says which one wrote the take.
Needs the package itself, for the plan.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import soundfile
from synthesis import (
    Signal,
    cycles_of,
    drift_cents,
    filtered_partials,
    generator,
    held_envelope,
    key_to_hz,
    saw_weights,
    through_the_cable,
    to_16_bit,
)

from keymapper.formats.midi_file import midi_bytes
from keymapper.formats.session_sheet import read_session_table, session_sheet_json
from keymapper.formats.toml_tables import table_to
from keymapper.model.session import PlannedNote, SessionSettings, SessionSheet
from keymapper.planning.cue_sheet import cue_sheet
from keymapper.planning.sheet import plan_session

RATE_HZ = 44_100
SEED = 51
LATENCY_SECONDS = 0.7315
CLOCK_DRIFT_PPM = 85.0
COLD_CENTS = -14.0
WARM_UP_SECONDS = 55.0
ATTACK_SECONDS = 0.006
RELEASE_SECONDS = 0.35
RUN_OUT_SECONDS = 1.5
QUIETEST_DB = -24.0


def warm_up_cents(seconds: float) -> float:
    """Return how far the cold oscillators are from their pitch so long after the start."""
    return COLD_CENTS * float(np.exp(-seconds / WARM_UP_SECONDS))


def lead_note(note: PlannedNote, index: int, tuning_cents: float) -> Signal:
    """Return one key press: two saws a little apart behind a closing low-pass."""
    rng = generator(SEED, index)
    held = note.off_seconds - note.on_seconds
    seconds = np.arange(round((held + 1.1 * RELEASE_SECONDS) * RATE_HZ)) / RATE_HZ
    fundamental_hz = key_to_hz(note.key)
    loudness = note.velocity / 127
    cutoff_hz = fundamental_hz * (2.0 + 5.0 * loudness * (0.4 + 0.6 * np.exp(-seconds / 0.5)))
    weights = saw_weights(fundamental_hz, RATE_HZ)
    sound = np.zeros(len(seconds))
    for apart_cents in (-1.6, 1.6):
        wander = drift_cents(rng, seconds, 1.0)
        vibrato = 4.0 * np.clip(seconds - 0.6, 0, 1) * np.sin(2 * np.pi * 5.1 * seconds)
        cents = tuning_cents + apart_cents + wander + vibrato
        cycles = cycles_of(fundamental_hz, cents, RATE_HZ, rng.uniform(0, 1))
        sound += filtered_partials(cycles, weights, fundamental_hz / cutoff_hz, 0.9)
    level = 0.16 * 10 ** (QUIETEST_DB * (1 - loudness) / 20)
    fade_out = np.clip((seconds[-1] - seconds) / 0.01, 0, 1)
    return level * sound * held_envelope(seconds, ATTACK_SECONDS, held, RELEASE_SECONDS) * fade_out


def render_take(sheet: SessionSheet) -> tuple[Signal, list[dict[str, float | int]]]:
    """Return the take, shape (frames,), and the truth of every note."""
    clock = 1 + CLOCK_DRIFT_PPM * 1e-6
    length = LATENCY_SECONDS + clock * sheet.duration_seconds + RUN_OUT_SECONDS
    take = np.zeros(round(length * RATE_HZ))
    truth: list[dict[str, float | int]] = []
    for index, note in enumerate(sheet.notes):
        tuning_cents = warm_up_cents(note.on_seconds)
        sound = lead_note(note, index, tuning_cents)
        start = round((LATENCY_SECONDS + clock * note.on_seconds) * RATE_HZ)
        take[start : start + len(sound)] += sound
        audible = int(np.argmax(np.abs(sound) >= 0.01 * np.abs(sound).max()))
        truth.append(
            {
                "plan_index": index,
                "key": note.key,
                "velocity": note.velocity,
                "tuning_cents": round(tuning_cents, 3),
                "key_down_frame": start,
                "onset_frame": start + audible,
            }
        )
    return take, truth


def main() -> None:
    """Write the plan, the take and the truth."""
    here = Path(__file__).parent
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else here / "session"
    table = read_session_table(here / "session" / "recipe.toml")
    sheet = plan_session(table_to(SessionSettings, table, "recipe.toml [session]"))
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.json").write_bytes(session_sheet_json(sheet))
    (folder / "session.mid").write_bytes(midi_bytes(sheet))
    (folder / "cues.txt").write_text(cue_sheet(sheet), encoding="ascii", newline="\n")
    sound, notes = render_take(sheet)
    rng = generator(SEED, 1000)
    recorded = through_the_cable(rng, [sound], RATE_HZ, [2e-4])
    pcm = to_16_bit(rng, recorded)
    soundfile.write(folder / "take.flac", pcm, RATE_HZ, subtype="PCM_16", format="FLAC")
    truth = {
        "encoder": soundfile.__libsndfile_version__,
        "rate_hz": RATE_HZ,
        "latency_seconds": LATENCY_SECONDS,
        "drift_ppm": CLOCK_DRIFT_PPM,
        "notes": notes,
    }
    text = json.dumps(truth, indent=1) + "\n"
    (folder / "truth.json").write_text(text, encoding="utf-8", newline="\n")
    print(f"{folder}: {len(notes)} notes, {len(pcm) / RATE_HZ:.0f} s")


if __name__ == "__main__":
    main()
