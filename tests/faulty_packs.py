"""Packs rendered from truths: faultless ones, and such with faults planted into them.

`clean_pack(seed)` makes a faultless instrument in memory; the functions of `tests.pack_faults`
spoil it, each saying which rule has to find it and where; `write_pack` puts it on disk.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

NAMES = ("C", "Cs", "D", "Ds", "E", "F", "Fs", "G", "Gs", "A", "As", "B")
PATCHES = ("Lantern", "Mooring", "Tidewater", "Breakwater", "Gangway", "Foghorn", "Capstan")
HISS = 2.5e-5


@dataclass(slots=True, kw_only=True)
class Note:
    """One sample with its zone; everything may be spoiled."""

    key: int
    layer: int
    turn: int
    samples: np.ndarray
    rate: int
    loop: tuple[int, int] | None
    file: str
    opcodes: dict[str, str]
    subtype: str = "PCM_24"
    suffix_format: str = "WAV"
    smpl_root: int | None = None
    smpl_loop: tuple[int, int] | None = None
    cut_bytes: int = 0


@dataclass(slots=True, kw_only=True)
class RenderedPack:
    """A pack in memory; `truth` lists (rule, file or None) for every planted fault."""

    name: str
    rng: np.random.Generator
    notes: list[Note]
    layers: int
    turns: int
    sustains: bool
    head: str = ""
    tail: str = ""
    extra: dict[str, bytes | np.ndarray] = field(default_factory=dict)
    truth: list[tuple[str, str | None]] = field(default_factory=list)
    spoiled: set[int] = field(default_factory=set)
    bom: bool = False
    with_sfz: bool = True

    def take(self, wanted: Callable[[Note], bool] = lambda note: True) -> Note:
        """A random note that no other fault has touched; its neighbours stay clean too."""
        free = [i for i, note in enumerate(self.notes) if i not in self.spoiled and wanted(note)]
        if not free:
            raise LookupError("no note is left for this fault")
        index = int(self.rng.choice(free))
        key = self.notes[index].key
        keys = sorted({note.key for note in self.notes})
        near = {keys[at] for at in range(len(keys)) if abs(at - keys.index(key)) <= 1}
        self.spoiled |= {i for i, note in enumerate(self.notes) if note.key in near}
        return self.notes[index]

    def plant(self, rule: str, note: Note | None = None) -> None:
        self.truth.append((rule, note.file if note else None))


def clean_pack(seed: int, *, keys: int = 24) -> RenderedPack:
    """A faultless instrument: sustaining and looped, or decaying; up to 2 layers or 2 turns."""
    rng = np.random.default_rng(seed)
    sustains = bool(rng.random() < 0.7)
    layers, turns = [(1, 1), (2, 1), (1, 2)][int(rng.integers(3))]
    rate = int(rng.choice([44_100, 48_000]))
    stereo = bool(rng.random() < 0.5)
    step = int(rng.choice([2, 3, 4]))
    first = int(rng.integers(28, 45))
    tone = Tone.random(rng, sustains=sustains, stereo=stereo, rate=rate)
    name = PATCHES[int(rng.integers(len(PATCHES)))]
    notes = []
    for place in range(keys // (layers * turns)):
        key = first + step * place
        if key > 100:
            break
        for layer in range(layers):
            notes += [
                _note(tone, rng, (key, layer, turn), (layers, turns, step, name))
                for turn in range(turns)
            ]
    for note in notes[: layers * turns]:
        note.opcodes["lokey"] = str(first - 2)
    return RenderedPack(
        name=name, rng=rng, notes=notes, layers=layers, turns=turns, sustains=sustains
    )


def _note(
    tone: Tone,
    rng: np.random.Generator,
    place: tuple[int, int, int],
    plan: tuple[int, int, int, str],
) -> Note:
    (key, layer, turn), (layers, turns, step, name) = place, plan
    cents = float(rng.uniform(-1.0, 1.0))
    gain_db = -4.0 * (layers - 1 - layer) + float(rng.uniform(-0.3, 0.3))
    samples, loop = tone.render(key + cents / 100, 10 ** (gain_db / 20), rng)
    parts = [name, f"{NAMES[key % 12]}{key // 12 - 1}"]
    parts += [f"v{(60, 120)[layer]:03d}"] if layers > 1 else []
    parts += [f"rr{turn + 1}"] if turns > 1 else []
    velocities = ((1, 127),) if layers == 1 else ((1, 80), (81, 127))
    opcodes = {
        "lokey": str(key - (step - 1) // 2),
        "hikey": str(key + step // 2),
        "pitch_keycenter": str(key),
        "lovel": str(velocities[layer][0]),
        "hivel": str(velocities[layer][1]),
        "ampeg_release": "0.3",
    }
    if layers > 1:
        opcodes["amp_veltrack"] = "30"
    if turns > 1:
        opcodes |= {"seq_length": str(turns), "seq_position": str(turn + 1)}
    if loop is not None:
        opcodes |= {
            "loop_mode": "loop_continuous",
            "loop_start": str(loop[0]),
            "loop_end": str(loop[1] - 1),
        }
    return Note(
        key=key, layer=layer, turn=turn, samples=samples, rate=tone.rate, loop=loop,
        file=f"samples/{'_'.join(parts)}.wav", opcodes=opcodes, smpl_root=key, smpl_loop=loop,
    )  # fmt: skip


@dataclass(slots=True, kw_only=True)
class Tone:
    """A patch: partials under a filter slope, with or without a decay, one or two channels."""

    slope: float
    odd_only: bool
    cutoff_hz: float
    attack_seconds: float
    decay_seconds: float | None
    width: float
    rate: int

    @staticmethod
    def random(rng: np.random.Generator, *, sustains: bool, stereo: bool, rate: int) -> Tone:
        return Tone(
            slope=float(rng.uniform(0.9, 2.0)),
            odd_only=bool(rng.random() < 0.25),
            cutoff_hz=float(10 ** rng.uniform(3.0, 4.0)),
            attack_seconds=float(10 ** rng.uniform(-2.5, -1.2)),
            decay_seconds=None if sustains else float(rng.uniform(0.25, 0.6)),
            width=float(rng.uniform(0.1, 0.5)) if stereo else -1.0,
            rate=rate,
        )

    def render(
        self, key: float, gain: float, rng: np.random.Generator
    ) -> tuple[np.ndarray, tuple[int, int] | None]:
        """A note, (frames, channels), and a loop of whole periods, where it sustains."""
        wanted_hz = 440 * 2 ** ((key - 69) / 12)
        periods = max(1, round(wanted_hz * 1.2))
        length = round(periods * self.rate / wanted_hz)
        f0_hz = periods * self.rate / length
        lead, attack = round(0.001 * self.rate), round(self.attack_seconds * self.rate)
        if self.decay_seconds is None:
            frames = lead + attack + round(0.2 * self.rate) + length + round(0.05 * self.rate)
            loop = (frames - length - round(0.05 * self.rate), frames - round(0.05 * self.rate))
        else:
            frames, loop = lead + attack + round(6.5 * self.decay_seconds * self.rate), None
        seconds = (np.arange(frames) - lead) / self.rate
        shape = np.clip(seconds * self.rate / max(attack, 1), 0, 1) ** 2
        if self.decay_seconds is not None:
            shape *= np.exp(-np.maximum(seconds, 0) / self.decay_seconds)
            fade = round(0.05 * self.rate)
            shape[-fade:] *= np.cos(np.linspace(0, np.pi / 2, fade)) ** 2
        sides = [self._wave(seconds, f0_hz, side) for side in range(2 if self.width >= 0 else 1)]
        sound = np.stack(sides, axis=1) * shape[:, None]
        sound *= 0.35 * gain / np.abs(sound).max()
        return sound + HISS * rng.standard_normal(sound.shape) * shape[:, None], loop

    def _wave(self, seconds: np.ndarray, f0_hz: float, side: int) -> np.ndarray:
        orders = np.arange(1, max(2, int(min(18_000, 0.45 * self.rate) / f0_hz)) + 1)
        levels = orders**-self.slope / (1 + (orders * f0_hz / self.cutoff_hz) ** 2)
        if self.odd_only:
            levels[1::2] *= 0.02
        phases = self.width * side * np.sin(7.0 * orders) if self.width >= 0 else 0 * orders
        turn = np.exp(2j * np.pi * np.mod(f0_hz * seconds, 1.0))
        total = np.zeros(len(seconds), dtype=np.complex128)
        for level, phase in zip(levels[::-1], phases[::-1], strict=True):
            total = (total + level * np.exp(1j * phase)) * turn
        return np.asarray(total.imag)


def write_pack(pack: RenderedPack, folder: Path) -> Path:
    """Write a pack; return its folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for note in pack.notes:
        if note.file:
            write_note(note, folder / note.file)
    for name, content in pack.extra.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(content, bytes):
            path.write_bytes(content)
        else:
            soundfile.write(path, content, pack.notes[0].rate, subtype="PCM_24")
    if pack.with_sfz:
        text = sfz_text(pack)
        (folder / f"{pack.name}.sfz").write_bytes((b"\xef\xbb\xbf" if pack.bom else b"") + text)
    return folder


def sfz_text(pack: RenderedPack) -> bytes:
    lines = [pack.head] if pack.head else []
    for note in pack.notes:
        opcodes = {"sample": note.file} | note.opcodes
        lines.append("<region>")
        lines += [f"{name}={value}" for name, value in opcodes.items()]
    return ("\n".join([*lines, pack.tail]) + "\n").encode("utf-8")


def write_note(note: Note, path: Path) -> None:
    """Write a note as a WAV with a `smpl` chunk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    samples = np.clip(note.samples, -1, 1 - 2**-23)
    soundfile.write(path, samples, note.rate, subtype=note.subtype, format=note.suffix_format)
    if note.suffix_format == "WAV" and (note.smpl_root is not None or note.smpl_loop is not None):
        root = note.key if note.smpl_root is None else note.smpl_root
        path.write_bytes(with_smpl(path.read_bytes(), root, note.smpl_loop, note.rate))
    if note.cut_bytes:
        path.write_bytes(path.read_bytes()[: -note.cut_bytes])


def with_smpl(wav: bytes, root: int, loop: tuple[int, int] | None, rate: int) -> bytes:
    """A WAV file with a `smpl` chunk put before its audio."""
    body = struct.pack("<9I", 0, 0, round(1e9 / rate), root, 0, 0, 0, loop is not None, 0)
    if loop is not None:
        body += struct.pack("<6I", 0, 0, loop[0], loop[1] - 1, 0, 0)
    at = wav.index(b"data")
    content = wav[8:at] + b"smpl" + struct.pack("<I", len(body)) + body + wav[at:]
    return b"RIFF" + struct.pack("<I", len(content)) + content
