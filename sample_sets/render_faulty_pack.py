"""Render `faulty-pack/`: a small instrument by hand, with faults planted for an audit to find.

    python sample_sets/render_faulty_pack.py [FOLDER]

Writes samples, the hand-written SFZ and `faults.json`, to the same bytes every time. A horn that
warmed up while it was recorded: it settles by some cents over the session, and one note was
played after somebody had leaned on the tuning knob.
"""

from __future__ import annotations

import json
import struct
import sys
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from synthesis import Signal, filtered_partials, generator, key_to_hz, saw_weights, to_16_bit

FOLDER = "faulty-pack"
SAMPLES = "samples"
RATE_HZ = 44_100
SEED = 77
LICENCE = """SPDX-License-Identifier: CC0-1.0

The samples and texts of this folder are dedicated to the public domain under the Creative Commons
CC0 1.0 Universal Public Domain Dedication. They were rendered by render_faulty_pack.py.
"""
STARTED = datetime(2026, 11, 20, 22, 10)
SECONDS_A_NOTE = 40
SETTLING_CENTS = 14.0
SETTLING_NOTES = 3.0
OFFSET_CENTS = 3.0
LEAD_FRAMES = 40
NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
ORDER = (60, 72, 51, 66, 48, 69, 57, 75, 54, 63)
"""The keys in the order in which they were played."""
OFF_KEY, OFF_CENTS = 63, -24.0
CLIPPED, OFF_CENTRE, CLICKING, LATE = 48, 54, 57, 66
LOOP_TOO_FAR, LOOP_UNLIKE = 69, 51
WRONG_CASE, NAMED_WRONGLY = 72, 75


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Horn:
    """A rendered note and its loop, half-open."""

    recording: Signal
    loop: tuple[int, int]


def cents_of(key: int) -> float:
    """Return how sharp the horn was when a key was recorded."""
    settling = SETTLING_CENTS * np.exp(-ORDER.index(key) / SETTLING_NOTES)
    return float(OFFSET_CENTS + settling + (OFF_CENTS if key == OFF_KEY else 0.0))


def horn(key: int) -> Horn:
    """Play one note; its loop is a whole number of periods and of frames."""
    rng = generator(SEED, key)
    wanted_hz = key_to_hz(key + cents_of(key) / 100)
    periods = round(0.9 * wanted_hz)
    length = round(periods * RATE_HZ / wanted_hz)
    start = LEAD_FRAMES + round(0.35 * RATE_HZ)
    frames = start + length + 400
    seconds = (np.arange(frames) - LEAD_FRAMES) / RATE_HZ
    cycles = periods * seconds * RATE_HZ / length
    hz = periods * RATE_HZ / length
    cutoff_hz = 3.0 * hz + 900.0
    opening = 1.0 + 1.5 * np.exp(-np.clip(seconds, 0.0, None) / 0.04)
    sound = filtered_partials(
        cycles, saw_weights(hz, RATE_HZ), hz / cutoff_hz * opening, resonance=0.6
    )
    rise = np.clip(seconds / 0.02, 0.0, 1.0) ** 2
    sound *= 0.3 * rise / np.abs(sound).max()
    hiss = 6e-5 * rng.uniform(-1.0, 1.0, frames)
    return Horn(recording=(sound + hiss * rise)[:, None], loop=(start, start + length))


def spoiled(key: int, note: Horn) -> Horn:
    """Plant the faults that lie in the sound of a note."""
    sound, (start, end) = note.recording.copy(), note.loop
    if key == CLIPPED:
        sound = np.clip(sound * 5.0, -1.0, 32767 / 32768)
    if key == OFF_CENTRE:
        sound += 0.02
    if key == CLICKING:
        sound[LEAD_FRAMES + round(0.3 * RATE_HZ)] += 0.4
    if key == LATE:
        silence = np.zeros((round(0.09 * RATE_HZ), 1))
        sound = np.concatenate([silence, sound])
        start, end = start + len(silence), end + len(silence)
    return Horn(recording=sound, loop=(start, end))


def name_of(key: int) -> str:
    """Return the name of a key as the recordist wrote it; one she got wrong."""
    written = key - 2 if key == NAMED_WRONGLY else key
    return f"{NAMES[written % 12]}{written // 12 - 1}".replace("#", "s")


def file_of(key: int) -> str:
    """Return the file of a key."""
    return f"{SAMPLES}/Horn {name_of(key)}.wav"


def wav_bytes(key: int, pcm: np.ndarray, loop: tuple[int, int]) -> bytes:
    """Return a 16-bit WAV with `bext` and `smpl` before its audio."""
    moment = STARTED + timedelta(seconds=SECONDS_A_NOTE * ORDER.index(key))
    bext = bytearray(602)
    bext[:11] = b"Signal Horn"
    bext[320:338] = moment.strftime("%Y-%m-%d%H:%M:%S").encode()
    bext[346:348] = struct.pack("<H", 1)
    end = loop[1] - 300 if key == LOOP_UNLIKE else loop[1]
    smpl = struct.pack("<9I", 0, 0, round(1e9 / RATE_HZ), key, 0, 0, 0, 1, 0)
    smpl += struct.pack("<6I", 0, 0, loop[0], end - 1, 0, 0)
    form = struct.pack("<HHIIHH", 1, 1, RATE_HZ, 2 * RATE_HZ, 2, 16)
    chunks = ((b"fmt ", form), (b"bext", bytes(bext)), (b"smpl", smpl), (b"data", pcm.tobytes()))
    body = b"WAVE" + b"".join(
        name + struct.pack("<I", len(content)) + content for name, content in chunks
    )
    return b"RIFF" + struct.pack("<I", len(body)) + body


def region(key: int, loop: tuple[int, int], *, low: int, high: int) -> str:
    """Return a region as written by hand."""
    file = file_of(key).split("/")[1]
    if key == WRONG_CASE:
        file = file.lower()
    last = loop[1] + 20_000 if key == LOOP_TOO_FAR else loop[1] - 1
    keys = f"lokey={low} hikey={high} pitch_keycenter={key}"
    return f"<region> sample={file}\n  {keys}\n  loop_start={loop[0]} loop_end={last}\n"


def sfz_text(loops: dict[int, tuple[int, int]]) -> dict[str, str]:
    """Return the SFZ file and the part it includes: a gap, an overlap, a sample that is gone."""
    parts = {key: (key - 1, key + 1) for key in sorted(ORDER)}
    parts[54] = (53, 54)
    parts[63] = (62, 66)
    regions = {
        key: region(key, loops[key], low=low, high=high) for key, (low, high) in parts.items()
    }
    low_part = "".join(regions[key] for key in sorted(ORDER) if key < 60)
    high_part = "".join(regions[key] for key in sorted(ORDER) if key >= 60)
    main = (
        "// Signal Horn, by hand\n"
        "<control> default_path=samples\\\n"
        "#define $RELEASE 0.4\n"
        "<global> ampeg_release=$RELEASE\n"
        "<group> loopmode=loop_continuous\n"
        '#include "parts/low.sfz"\n'
        "/* the upper half */\n"
        f"{high_part}"
        "<region> sample=Horn Fs5.wav\n  lokey=77 hikey=79 pitch_keycenter=78\n"
    )
    return {"Signal Horn.sfz": main, "parts/low.sfz": low_part}


def faults() -> list[dict[str, Any]]:
    """Return what was planted: the rule that finds it, and the file where it lies in one."""
    planted = [
        ("level-clipped", file_of(CLIPPED)),
        ("level-dc", file_of(OFF_CENTRE)),
        ("level-click", file_of(CLICKING)),
        ("edge-late-start", file_of(LATE)),
        ("tuning-off", file_of(OFF_KEY)),
        ("tuning-neighbours", file_of(OFF_KEY)),
        ("tuning-name", file_of(NAMED_WRONGLY)),
        ("map-name-disagrees", file_of(NAMED_WRONGLY)),
        ("loop-outside-file", file_of(LOOP_TOO_FAR)),
        ("loop-embedded-disagrees", file_of(LOOP_UNLIKE)),
        ("file-wrong-case", None),
        ("file-missing", None),
        ("file-unused", f"{SAMPLES}/Horn test.flac"),
        ("map-gap", None),
        ("map-overlap", None),
        ("sfz-portability", None),
    ]
    return [{"rule": rule, "file": file} for rule, file in planted]


def render(folder: Path) -> None:
    """Write the pack below `folder`."""
    pack = folder / FOLDER
    (pack / SAMPLES).mkdir(parents=True, exist_ok=True)
    (pack / "parts").mkdir(exist_ok=True)
    loops = {}
    for key in ORDER:
        note = spoiled(key, horn(key))
        pcm = to_16_bit(generator(SEED, key, 1), note.recording)
        loops[key] = note.loop
        (pack / file_of(key)).write_bytes(wav_bytes(key, pcm, note.loop))
    test_note = to_16_bit(generator(SEED, 1, 1), 0.5 * horn(60).recording[:20_000])
    fade = np.linspace(1.0, 0.0, 6_000)[:, None]
    test_note[-6_000:] = np.rint(test_note[-6_000:] * fade).astype(np.int16)
    path = pack / SAMPLES / "Horn test.flac"
    soundfile.write(path, test_note, RATE_HZ, subtype="PCM_16", compression_level=1.0)
    for name, text in sfz_text(loops).items():
        (pack / name).write_text(text, encoding="utf-8", newline="\n")
    (pack / "LICENSE.txt").write_text(LICENCE, encoding="utf-8", newline="\n")
    truth = {
        "format_version": 1,
        "pack": "Signal Horn",
        "license": "CC0-1.0",
        "encoder": soundfile.__libsndfile_version__,
        "offset_cents": OFFSET_CENTS,
        "settling_cents": SETTLING_CENTS,
        "settling_minutes": SETTLING_NOTES * SECONDS_A_NOTE / 60,
        "faults": faults(),
    }
    text = json.dumps(truth, indent=1, ensure_ascii=True, allow_nan=False)
    (pack / "faults.json").write_text(text + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    render(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
