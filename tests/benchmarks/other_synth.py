"""Sessions played by an independent synth: fluidsynth with a sound font of the system."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile
import soxr

from keymapper.formats.midi_file import midi_bytes
from keymapper.model.session import PatchCall, SessionSettings, SessionSheet
from keymapper.planning.sheet import plan_session
from tests.session_takes import Recording, RenderedTake, TrueNote

FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
RATE = 48_000
EFFECTS = ("reverb", "chorus", "none")


@dataclass(frozen=True, kw_only=True)
class Program:
    """A General MIDI program, and how it is recorded."""

    number: int
    hold: float
    release: float
    slow: bool = False


PROGRAMS = {
    "piano": Program(number=0, hold=1.5, release=0.8),
    "organ": Program(number=16, hold=1.2, release=0.5),
    "plucked strings": Program(number=45, hold=1.0, release=0.8),
    "saw lead": Program(number=81, hold=1.2, release=0.5),
    "bowed pad": Program(number=92, hold=3.0, release=2.0, slow=True),
}


def synth_is_there() -> bool:
    """Say whether the synth and its sound font are installed."""
    return shutil.which("fluidsynth") is not None and FONT.is_file()


def played_by_another_synth(program: Program, how: Recording) -> tuple[SessionSheet, RenderedTake]:
    """Return a plan, and the take of it with latency, drift and noise put on."""
    sheet = plan_session(
        SessionSettings(
            lowest_key=40,
            highest_key=80,
            every=8,
            velocities=(60, 110),
            hold_seconds=program.hold,
            release_seconds=program.release,
            patches=(PatchCall(name="Other", program=program.number),),
        )
    )
    whole = rendered_by_another_synth(sheet)
    truth = []
    for index, note in enumerate(sheet.notes):
        alone = rendered_by_another_synth(
            replace(sheet, notes=(note,), duration_seconds=note.until_seconds)
        )
        truth.append(_truth(alone, index, sheet, how))
    return sheet, RenderedTake(
        samples=_recorded(whole, how), rate_hz=RATE, notes=tuple(truth), recording=how
    )


def rendered_by_another_synth(sheet: SessionSheet, effect: str = "none") -> np.ndarray:
    """Return what the synth makes of a plan, with none of its effects or one, shape (frames, 2)."""
    with tempfile.TemporaryDirectory() as name:
        midi, audio = Path(name) / "plan.mid", Path(name) / "take.wav"
        midi.write_bytes(midi_bytes(sheet))
        command = ["fluidsynth", "-n", "-i", "-q", "-z", "64", "-g", "0.6"]
        command += [
            "-R",
            str(int(effect == "reverb")),
            "-C",
            str(int(effect == "chorus")),
            "-r",
            str(RATE),
            "-O",
            "float",
            "-T",
            "wav",
            "-F",
            str(audio),
            str(FONT),
            str(midi),
        ]
        subprocess.run(command, check=True, capture_output=True)
        return soundfile.read(audio, always_2d=True)[0]


def _recorded(samples: np.ndarray, how: Recording) -> np.ndarray:
    stretched = samples
    if how.drift_ppm:
        stretched = soxr.resample(samples, 1e6, 1e6 * (1 + how.drift_ppm * 1e-6), "VHQ")
    take = np.concatenate([np.zeros((round(how.latency_seconds * RATE), 2)), stretched])
    if how.noise_dbfs is not None:
        draw = np.random.default_rng([how.seed, 9])
        take = take + draw.normal(0, 10 ** (how.noise_dbfs / 20), take.shape)
    return take


def _truth(alone: np.ndarray, index: int, sheet: SessionSheet, how: Recording) -> TrueNote:
    note = sheet.notes[index]
    size = np.abs(alone).max(axis=1)
    noise = 10 ** (how.noise_dbfs / 20) if how.noise_dbfs is not None else 0.0
    peak = float(size.max())
    onset = int(np.argmax(size >= max(0.01 * peak, noise))) / RATE
    scale = 1 + how.drift_ppm * 1e-6
    return TrueNote(
        plan_index=index,
        key=note.key,
        velocity=note.velocity,
        key_down_seconds=how.latency_seconds + scale * note.on_seconds,
        onset_seconds=how.latency_seconds + scale * onset,
        peak=peak,
        signal_to_noise_db=0.0,
    )
