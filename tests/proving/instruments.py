"""Small instruments on disk, made from truths, with or without planted faults."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

from keymapper.formats.sfz import SfzDocument, SfzHeader, write_sfz

RATE = 48_000


@dataclass(frozen=True, kw_only=True)
class Zone:
    """A zone whose sample is a saw of whole periods at the pitch of `root`, `sharp_cents` sharp."""

    low: int
    high: int
    root: int
    sharp_cents: float = 0.0
    level_db: float = -12.0
    silence_seconds: float = 0.0
    start_phase: float = 0.0
    harmonics: int = 20
    odd_share: float = 1.0
    """How strong the odd harmonics are; next to nothing sounds an octave higher."""
    fade_in_seconds: float = 0.005
    loop_end_change: int = 0
    opcodes: dict[str, str] = field(default_factory=dict)


def tone(zone: Zone, frequency: float, seconds: float) -> np.ndarray:
    """A saw of the first harmonics; with one harmonic a sine."""
    cycles = frequency * np.arange(round(seconds * RATE)) / RATE + zone.start_phase
    orders = [n for n in range(1, zone.harmonics + 1) if n * frequency < 18_000]
    shares = [zone.odd_share if n % 2 else 1.0 for n in orders]
    waves = [a * np.sin(2 * np.pi * n * cycles) / n for n, a in zip(orders, shares, strict=True)]
    return np.sum(waves, axis=0)


def zone_audio(zone: Zone) -> tuple[np.ndarray, int, int]:
    """Return the sound and its loop (half-open), which holds whole periods to 0.02 cents."""
    frequency = 440.0 * 2 ** ((zone.root - 69) / 12 + zone.sharp_cents / 1200)
    head = round(zone.silence_seconds * RATE)
    sound = tone(zone, frequency, 2.5) * 10 ** (zone.level_db / 20)
    fade = round(zone.fade_in_seconds * RATE)
    sound[:fade] *= np.arange(fade) / max(fade, 1)
    start = head + 24_000
    periods = min(
        range(40, 400), key=lambda n: abs(n * RATE / frequency - round(n * RATE / frequency))
    )
    end = start + round(periods * RATE / frequency)
    return np.concatenate([np.zeros(head), sound]), start, end


def write_instrument(folder: Path, zones: list[Zone]) -> Path:
    """Write the zones as an SFZ file with its samples; return the file."""
    (folder / "samples").mkdir(parents=True, exist_ok=True)
    headers = []
    for number, zone in enumerate(zones):
        sound, start, end = zone_audio(zone)
        name = f"samples/zone_{number:02}.wav"
        soundfile.write(folder / name, sound[:, np.newaxis], RATE, subtype="FLOAT")
        opcodes = {
            "sample": name,
            "lokey": str(zone.low),
            "hikey": str(zone.high),
            "pitch_keycenter": str(zone.root),
            "tune": str(-round(zone.sharp_cents)),
            "loop_mode": "loop_continuous",
            "loop_start": str(start),
            "loop_end": str(end - 1 + zone.loop_end_change),
            "ampeg_release": "0.2",
        } | zone.opcodes
        headers.append(SfzHeader(name="region", opcodes=tuple(opcodes.items())))
    file = folder / "instrument.sfz"
    file.write_text(write_sfz(SfzDocument(headers=tuple(headers))), "utf-8")
    return file
