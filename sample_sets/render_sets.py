"""Render the four sets of "Harbour Lights" and their truth, the same bytes every time.

    python sample_sets/render_sets.py [FOLDER]

FOLDER is the one this script lies in unless given. Needs NumPy and soundfile only. The bytes of a
FLAC file also depend on the encoder inside libsndfile: `truth.json` says which one wrote them.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from synthesis import generator, to_16_bit
from voices import (
    NoteToPlay,
    Performance,
    Voice,
    dock_hit,
    harbour_pad,
    quay_bass,
    rope_pluck,
)

SHARPS = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
FLATS = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
DYNAMICS = {48: "p", 112: "ff"}
HITS = {
    36: "Bollard Thud",
    38: "Hatch Slam",
    39: "Chain Drop",
    42: "Rivet Tick",
    45: "Barrel Roll",
    49: "Buoy Bell",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSet:
    """One folder of the pack: what plays it, and which keys at which velocities how often.

    `tuning_tolerance_cents` is how far a sound measurement may lie from the truth: a drifting note
    has another mean over another part of it, and a detuned stack beats. None without a pitch.
    """

    folder: str
    about: str
    names: str
    voice: Voice
    rate_hz: int
    keys: tuple[int, ...]
    tuning_tolerance_cents: float | None
    velocities: tuple[int, ...] = (100,)
    round_robins: int = 1


SETS = (
    SampleSet(
        folder="harbour-pad",
        about="Detuned stereo pad that sustains.",
        names="note names with 60 written C4",
        voice=harbour_pad,
        tuning_tolerance_cents=1.5,
        rate_hz=44_100,
        keys=(36, 42, 48, 54, 60, 66, 72, 78, 84),
    ),
    SampleSet(
        folder="quay-bass",
        about="Bass in two velocity layers; both channels of a file are equal.",
        names="MIDI numbers, dynamics in letters",
        voice=quay_bass,
        tuning_tolerance_cents=0.4,
        rate_hz=48_000,
        keys=(24, 28, 32, 36, 40, 44, 48),
        velocities=(48, 112),
    ),
    SampleSet(
        folder="rope-pluck",
        about="Plucked mono sound that decays, in two round robins.",
        names="note names with 60 written C3, velocity, round robin",
        voice=rope_pluck,
        tuning_tolerance_cents=0.5,
        rate_hz=44_100,
        keys=(41, 46, 51, 56, 61, 66, 71, 76),
        round_robins=2,
    ),
    SampleSet(
        folder="dock-hits",
        about="Stereo one-shots.",
        names="MIDI number, then what was struck",
        voice=dock_hit,
        tuning_tolerance_cents=None,
        rate_hz=48_000,
        keys=tuple(HITS),
    ),
)


def file_name(sample_set: SampleSet, note: NoteToPlay) -> str:
    """Return the name the recordist gave the note, each set in a habit of its own."""
    key = note.key
    if sample_set.folder == "harbour-pad":
        return f"Harbour Pad {SHARPS[key % 12]}{key // 12 - 1}.flac"
    if sample_set.folder == "quay-bass":
        return f"QuayBass-{key:03d}-{DYNAMICS[note.velocity]}.flac"
    if sample_set.folder == "rope-pluck":
        octave = key // 12 - 2
        return f"rope_{FLATS[key % 12]}{octave}_v{note.velocity:03d}_rr{note.round_robin}.flac"
    return f"{key} {HITS[key]}.flac"


def notes_of(sample_set: SampleSet) -> Iterator[NoteToPlay]:
    """Yield every key press of a set, each with a seed of its own."""
    place = 0
    for key in sample_set.keys:
        for velocity in sample_set.velocities:
            for round_robin in range(1, sample_set.round_robins + 1):
                yield NoteToPlay(
                    key=key,
                    velocity=velocity,
                    round_robin=round_robin,
                    rate_hz=sample_set.rate_hz,
                    seed=(SETS.index(sample_set), place),
                )
                place += 1


def truth_of(sample_set: SampleSet, note: NoteToPlay, played: Performance) -> dict[str, Any]:
    """Return the facts of a note as they go into truth.json; frame ranges are half-open."""
    cents = played.tuning_cents
    return {
        "file": f"{sample_set.folder}/{file_name(sample_set, note)}",
        "key": note.key,
        "tuning_cents": None if cents is None else round(cents, 4),
        "velocity": note.velocity,
        "round_robin": note.round_robin,
        "sustains": played.sustains,
        "one_shot": sample_set.voice is dock_hit,
        "onset_frame": played.onset_frame,
        "steady_frames": list(played.steady),
        "note_off_frame": played.note_off_frame,
        "frames": len(played.recording),
        "sample_rate_hz": note.rate_hz,
        "channels": played.recording.shape[1],
        "channels_equal": sample_set.voice is quay_bass,
        "dc": [round(offset, 6) for offset in played.dc],
        "peak_dbfs": round(20.0 * np.log10(float(np.abs(played.recording).max())), 2),
    }


def render_note(sample_set: SampleSet, note: NoteToPlay, folder: Path) -> dict[str, Any]:
    """Write one note below `folder` and return its truth."""
    played = sample_set.voice(note)
    truth = truth_of(sample_set, note, played)
    path = folder / truth["file"]
    path.parent.mkdir(parents=True, exist_ok=True)
    samples = to_16_bit(generator(*note.seed, 1), played.recording)
    soundfile.write(path, samples, note.rate_hz, subtype="PCM_16", compression_level=1.0)
    return truth


def render_all(folder: Path) -> None:
    """Write the four sets and truth.json below `folder`."""
    truth = {
        "format_version": 1,
        "pack": "Harbour Lights",
        "license": "CC0-1.0",
        "tuning_reference_hz": 440.0,
        "encoder": soundfile.__libsndfile_version__,
        "sets": [
            {
                "folder": sample_set.folder,
                "about": sample_set.about,
                "names": sample_set.names,
                "tuning_tolerance_cents": sample_set.tuning_tolerance_cents,
                "notes": [render_note(sample_set, note, folder) for note in notes_of(sample_set)],
            }
            for sample_set in SETS
        ],
    }
    text = json.dumps(truth, indent=1, ensure_ascii=True, allow_nan=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    render_all(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
