"""A folder of recordings as messy as real ones are, and what is to be expected of each file.

    expected = write_messy_folder(tmp_path / "Lamp")

One sustaining patch, "Lamp", named by notes with 60 as C4: every format, rate and depth, names no
one would choose, faults of recording, and files that are no recordings at all.
"""

from __future__ import annotations

import struct
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile

from keymapper.model.keys import key_number, key_to_hz

Outcome = Literal["used", "told", "skipped", "unseen"]
Write = Callable[[Path], None]
SECONDS = 2.0
CENTS = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedFile:
    """What is expected of one file.

    outcome : "used" in a zone; "told", used or skipped but spoken of; "skipped" and spoken of;
        "unseen", passed over (and may be spoken of).
    key, tuning_cents : what sounds, None where nothing with a pitch does.
    named_key : what the name says with 60 as C4, None where it says nothing.
    fault : what is wrong with it, "" where nothing is.
    """

    file: str
    outcome: Outcome
    key: int | None = None
    tuning_cents: float | None = None
    named_key: int | None = None
    fault: str = ""


def tone(key: int, rate: int = 44_100, channels: int = 1) -> np.ndarray:
    """A sustained note, `CENTS` sharp of its key, over a little noise; (frames, channels)."""
    rng = np.random.Generator(np.random.PCG64(key))
    time = np.arange(round(SECONDS * rate)) / rate
    hz = key_to_hz(key + CENTS / 100)
    orders = np.array([k for k in range(1, 13) if k * hz < 0.4 * rate])[:, None]
    phases = rng.uniform(0, 1, (channels, len(orders), 1))
    start, off = 0.06 + 0.002 * (key % 9), SECONDS - 0.4
    shape = np.clip((time - start) / 0.02, 0, 1) * np.exp(-np.clip(time - off, 0, None) / 0.04)
    sides = [
        (np.sin(2 * np.pi * (orders * hz * time + row)) / orders**1.3).sum(axis=0) for row in phases
    ]
    sound = np.stack(sides, axis=1) * shape[:, None]
    noise = 1e-4 * rng.uniform(-1, 1, sound.shape)
    return 0.25 * sound / np.abs(sound).max() + noise


def _audio(
    key: int,
    subtype: str = "PCM_24",
    *,
    rate: int = 44_100,
    channels: int = 1,
    container: str = "WAV",
) -> Write:
    def write(path: Path) -> None:
        soundfile.write(path, tone(key, rate, channels), rate, subtype, format=container)

    return write


def _changed(
    key: int,
    change: Callable[[np.ndarray], np.ndarray],
    *,
    channels: int = 1,
    subtype: str = "PCM_24",
) -> Write:
    """A recording at 44.1 kHz with a fault."""
    return lambda path: soundfile.write(path, change(tone(key, 44_100, channels)), 44_100, subtype)


def _plain(samples: np.ndarray, subtype: str = "PCM_16") -> Write:
    return lambda path: soundfile.write(path, samples, 44_100, subtype=subtype, format="WAV")


def _raw(content: bytes) -> Write:
    def write(path: Path) -> None:
        path.write_bytes(content)

    return write


def _truncated(key: int, share: float) -> Write:
    """A WAV whose header promises more than the file holds."""

    def write(path: Path) -> None:
        _audio(key)(path)
        content = path.read_bytes()
        path.write_bytes(content[: int(share * len(content))])

    return write


def _with_chunks(key: int, loop: tuple[int, int]) -> Write:
    """A WAV with `smpl` (one forward loop, its end played) and `inst` chunks after the data."""

    def write(path: Path) -> None:
        _audio(key, "PCM_16")(path)
        smpl = struct.pack("<9I", 0, 0, 1_000_000_000 // 44_100, key, 0, 0, 0, 1, 0)
        smpl += struct.pack("<6I", 0, 0, loop[0], loop[1] - 1, 0, 0)
        inst = struct.pack("<BbbBBBB", key, 0, 0, 0, 127, 1, 127) + b"\0"
        content = path.read_bytes()
        for name, body, size in ((b"smpl", smpl, len(smpl)), (b"inst", inst, 7)):
            content += name + struct.pack("<I", size) + body
        path.write_bytes(b"RIFF" + struct.pack("<I", len(content) - 8) + content[8:])

    return write


def _not_numbers(samples: np.ndarray) -> np.ndarray:
    broken = samples.copy()
    broken[1000], broken[2000], broken[3000] = np.nan, np.inf, -np.inf
    return broken


def _dead_right(samples: np.ndarray) -> np.ndarray:
    return samples * [1.0, 0.0]


def _twice(samples: np.ndarray) -> np.ndarray:
    return np.repeat(samples[:, :1], 2, axis=1)


def _inverted(samples: np.ndarray) -> np.ndarray:
    return _twice(samples) * [1.0, -1.0]


def _clipped(samples: np.ndarray) -> np.ndarray:
    return np.clip(8.0 * samples, -1.0, 1.0)


def _with_dc(samples: np.ndarray) -> np.ndarray:
    return samples + 0.05


# Formats, rates and depths: nothing is wrong with these.
_SOUND: dict[str, tuple[int, Write]] = {
    "Lamp C2.wav": (36, _audio(36, "PCM_16")),
    "Lamp E2.wav": (40, _audio(40, "PCM_24", rate=48_000, channels=2)),
    "Lamp G#2.wav": (44, _audio(44, "PCM_32", rate=96_000)),
    "Lamp C3.wav": (48, _audio(48, "FLOAT")),
    "Lamp E3.wav": (52, _audio(52, "DOUBLE", rate=48_000)),
    "Lamp G#3.aiff": (56, _audio(56, container="AIFF", channels=2)),
    "Lamp C4.flac": (60, _audio(60, container="FLAC")),
    "Lamp E4.ogg": (64, _audio(64, "VORBIS", container="OGG", rate=48_000)),
    "Lamp G#4.wav": (68, _audio(68, container="RF64")),
    "Lamp C5.WAV": (72, _audio(72, "PCM_16", rate=32_000)),
    "Lamp E5.aif": (76, _audio(76, "PCM_16", container="AIFF")),
    # Names no one would choose.
    'Lamp $a=<b> & #x; "G#5"\n\'.wav': (80, _audio(80)),
    "灯 C6.wav": (84, _audio(84)),
    unicodedata.normalize("NFD", "Lámpara E6.wav"): (88, _audio(88)),
    "more/deep down/Lamp G#6.wav": (92, _audio(92)),
    "Lamp A2.wav": (45, _with_chunks(45, (30_000, 50_000))),
}
# Faults of recording that leave a playable note.
_FAULTY: dict[str, tuple[int, str, Write]] = {
    "Lamp D2.wav": (38, "dead channel", _changed(38, _dead_right, channels=2)),
    "Lamp D#2.wav": (39, "equal channels", _changed(39, _twice, channels=2)),
    "Lamp F2.wav": (41, "inverted channel", _changed(41, _inverted, channels=2)),
    "Lamp F#2.wav": (42, "clipped", _changed(42, _clipped, subtype="PCM_16")),
    "Lamp G2.wav": (43, "dc", _changed(43, _with_dc)),
    "Lamp A3.wav": (65, "wrong name", _audio(65)),
    "Lamp B3.wav": (71, "wrong octave", _audio(71)),
}
# Audio that gives no note.
_USELESS: dict[str, tuple[str, Write]] = {
    "empty.wav": ("no bytes", _raw(b"")),
    "notes to self.wav": ("text", _raw(b"C3 is too loud, record it again\n")),
    "broken.wav": ("not numbers", _changed(50, _not_numbers, subtype="FLOAT")),
    "silence.wav": ("silence", _plain(np.zeros((44_100, 2)))),
    "three frames.wav": ("too short", _plain(np.array([[0.1], [0.2], [0.1]]))),
    "no frames.wav": ("no frames", _plain(np.zeros((0, 1)))),
    "header only.wav": ("cut off", _raw(b"RIFF\x24\x00\x00\x00WAVEfmt ")),
    "six channels.wav": ("six channels", _plain(0.1 * np.ones((4410, 6)))),
}
# What lies about in folders; resource forks of one system look like audio to another.
_FOREIGN: dict[str, Write] = {
    "readme.txt": _raw(b"Lamp, recorded in the harbour\n"),
    "cover.png": _raw(b"\x89PNG\r\n\x1a\n"),
    ".DS_Store": _raw(b"\0\0\0\1Bud1"),
    "._Lamp C2.wav": _raw(b"\0\5\x16\7\0\2\0\0"),
    ".hidden.wav": _audio(60),
    ".trash/Lamp C3.wav": _audio(48),
}


def write_messy_folder(folder: Path) -> tuple[ExpectedFile, ...]:
    """Write the folder, which must not exist, and return what is expected of every file."""
    expected: list[ExpectedFile] = []
    folder.mkdir(parents=True)

    def put(file: str, write: Write, what: ExpectedFile) -> None:
        path = folder / file
        path.parent.mkdir(parents=True, exist_ok=True)
        write(path)
        expected.append(what)

    for file, (key, write) in _SOUND.items():
        put(file, write, _note(file, key))
    for file, (key, fault, write) in _FAULTY.items():
        put(file, write, _note(file, key, fault=fault))
    put("Lamp B2.wav", _truncated(47, 0.7), _note("Lamp B2.wav", 47, "told", "cut off"))
    for file, (fault, write) in _USELESS.items():
        put(file, write, ExpectedFile(file=file, outcome="skipped", fault=fault))
    for file, write in _FOREIGN.items():
        put(file, write, ExpectedFile(file=file, outcome="unseen", fault="foreign"))
    return tuple(sorted(expected, key=lambda each: each.file))


def _note(file: str, key: int, outcome: Outcome = "used", fault: str = "") -> ExpectedFile:
    named = key
    if fault in ("wrong name", "wrong octave"):
        named_key = key_number(Path(file).stem.rpartition(" ")[2])
        assert named_key is not None
        named = named_key
    return ExpectedFile(
        file=file,
        outcome=outcome,
        key=key,
        tuning_cents=CENTS,
        named_key=named,
        fault=fault,
    )
