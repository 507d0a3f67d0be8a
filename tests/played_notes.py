"""Notes as players make them: bowed, blown, struck; jittering, breathing, 0.35 to 4 s long.

The audio simply ends where the sustain does: no note-off is known, and there is no release.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.moving_notes import RATE, MovingNote

Random = np.random.Generator


def _walk(random: Random, frames: int, hertz: float) -> np.ndarray:
    """Smooth noise of about unit rms, an octave sum as of a hand that is never quite still."""
    total = np.zeros(frames)
    for octave in range(3):
        points = int(frames / RATE * hertz * 2**octave * 2) + 4
        knots = random.standard_normal(points)
        place = np.linspace(0, points - 1.001, frames)
        low = place.astype(int)
        part = (1 - np.cos(np.pi * (place - low))) / 2
        total += (knots[low] * (1 - part) + knots[low + 1] * part) / 2**octave
    return total / 1.1


def _body(random: Random) -> Callable[[np.ndarray], np.ndarray]:
    """Gain of a resonant body over frequency: eight resonances of 2 to 10 dB."""
    centres = np.exp(random.uniform(np.log(200), np.log(5000), 8))
    sharpness, height = random.uniform(4, 15, 8), random.uniform(2, 10, 8)

    def gain(hertz: np.ndarray) -> np.ndarray:
        decibels = np.zeros_like(hertz)
        for centre, sharp, high in zip(centres, sharpness, height, strict=True):
            decibels = decibels + high / (1 + (sharp * (hertz / centre - centre / hertz)) ** 2)
        return np.asarray(10 ** (decibels / 20))

    return gain


def _player(
    random: Random, seconds: np.ndarray, f0_hz: float, depths: tuple[float, float], tilt: float
) -> np.ndarray:
    """One player: ``depths`` are vibrato and jitter in cents; partials fall by order^-tilt."""
    frames = len(seconds)
    body = _body(random)
    rate_hz = random.uniform(4.8, 6.2) * (1 + 0.05 * _walk(random, frames, 1))
    vibrato = np.sin(2 * np.pi * np.cumsum(rate_hz) / RATE + random.uniform(0, 6))
    vibrato = vibrato * (1 + 0.25 * _walk(random, frames, 1))
    vibrato = vibrato * np.clip((seconds - random.uniform(0, 0.3)) / 0.4, 0, 1)
    shift = depths[0] * vibrato + depths[1] * _walk(random, frames, 2.5)
    hertz = f0_hz * 2 ** (shift / 1200)
    turns = 2 * np.pi * np.cumsum(hertz) / RATE
    total = np.zeros(frames)
    for order in range(1, min(45, int(0.42 * RATE / hertz.max())) + 1):
        gain = order**-tilt * body(order * hertz) * (1 + 0.06 * _walk(random, frames, 4))
        total += gain * np.sin(order * turns + random.uniform(0, 6))
    return total / np.std(total)


def _breath(random: Random, frames: int, low_hz: float, high_hz: float) -> np.ndarray:
    spectrum = np.fft.rfft(random.standard_normal(frames))
    hertz = np.fft.rfftfreq(frames, 1 / RATE)
    spectrum /= (1 + (low_hz / (hertz + 1)) ** 4) * np.sqrt(1 + (hertz / high_hz) ** 4)
    noise = np.fft.irfft(spectrum, frames)
    return np.asarray(noise / np.std(noise))


def bowed(random: Random, seconds: np.ndarray, f0_hz: float) -> np.ndarray:
    depths = (random.uniform(5, 22), random.uniform(1, 3))
    wave = _player(random, seconds, f0_hz, depths, random.uniform(1, 1.6))
    return wave + 0.03 * _breath(random, len(seconds), 2000, 9000)


def ensemble(random: Random, seconds: np.ndarray, f0_hz: float) -> np.ndarray:
    wave = np.zeros(len(seconds))
    for _ in range(6):
        own_hz = f0_hz * 2 ** (random.normal(0, 7) / 1200)
        depths = (random.uniform(5, 20), random.uniform(2, 4))
        wave += _player(random, seconds, own_hz, depths, random.uniform(1, 1.6))
    return wave / 2.4 + 0.03 * _breath(random, len(seconds), 2000, 9000)


def flute(random: Random, seconds: np.ndarray, f0_hz: float) -> np.ndarray:
    depths = (random.uniform(0, 10), random.uniform(1, 3))
    wave = _player(random, seconds, f0_hz, depths, random.uniform(2, 3))
    rate_hz = random.uniform(4.5, 5.5) * (1 + 0.05 * _walk(random, len(seconds), 1))
    wave = wave * (1 + random.uniform(0, 0.15) * np.sin(2 * np.pi * np.cumsum(rate_hz) / RATE))
    breath = _breath(random, len(seconds), min(2 * f0_hz, 4000), 6000)
    return wave + random.uniform(0.02, 0.15) * breath


def reed(random: Random, seconds: np.ndarray, f0_hz: float) -> np.ndarray:
    depths = (float(random.choice([0, 0, 10])), random.uniform(1, 3))
    wave = _player(random, seconds, f0_hz, depths, random.uniform(1, 1.6))
    return wave + random.uniform(0.01, 0.04) * _breath(random, len(seconds), 1000, 8000)


def brass(random: Random, seconds: np.ndarray, f0_hz: float) -> np.ndarray:
    depths = (float(random.choice([0, 0, 8])), random.uniform(1, 3))
    wave = _player(random, seconds, f0_hz, depths, random.uniform(1.2, 1.8))
    wave = wave * (1 + 0.08 * _walk(random, len(seconds), 2)) * (1 - np.exp(-seconds / 0.08))
    return wave + 0.01 * _breath(random, len(seconds), 1000, 8000)


def organ(random: Random, seconds: np.ndarray, f0_hz: float) -> np.ndarray:
    wave = np.zeros(len(seconds))
    for rank in (1, 2, 3, 4):
        own_hz = f0_hz * rank * 2 ** (random.normal(0, 1.5) / 1200)
        wave += random.uniform(0.2, 1) * _player(random, seconds, own_hz, (0.0, 0.15), 1.5)
    return wave + random.uniform(0.005, 0.03) * _breath(random, len(seconds), 500, 6000)


def piano(random: Random, seconds: np.ndarray, f0_hz: float) -> np.ndarray:
    wave = np.zeros(len(seconds))
    lasting = random.uniform(2, 6) * (200 / f0_hz) ** 0.3
    for order in range(1, 30):
        partial_hz = order * f0_hz * np.sqrt(1 + 2e-4 * order**2)
        if partial_hz > 0.42 * RATE:
            break
        fast, slow = (np.exp(-seconds * k / lasting * (1 + 0.1 * order)) for k in (2, 0.4))
        for _ in range(3):
            own_hz = partial_hz * 2 ** (random.normal(0, 0.6) / 1200)
            tone = np.sin(2 * np.pi * own_hz * seconds + random.uniform(0, 6))
            wave += order**-1.3 * tone * (0.7 * fast + 0.3 * slow)
    return wave


def bass(random: Random, seconds: np.ndarray, f0_hz: float) -> np.ndarray:
    wave = np.zeros(len(seconds))
    lasting = random.uniform(1.5, 4)
    for order in range(1, 20):
        partial_hz = order * f0_hz * np.sqrt(1 + 5e-5 * order**2)
        fall = np.exp(-seconds / lasting * (0.5 + 0.15 * order)) * random.uniform(0.3, 1)
        phase = random.uniform(0, 6)
        wave += order**-1.2 * np.sin(2 * np.pi * partial_hz * seconds + phase) * fall
    return wave


PLAYED: dict[str, Callable[[Random, np.ndarray, float], np.ndarray]] = {
    "bowed": bowed,
    "ensemble": ensemble,
    "flute": flute,
    "reed": reed,
    "brass": brass,
    "organ": organ,
    "piano": piano,
    "bass": bass,
}
RANGES_HZ = {"bass": (40.0, 160.0), "flute": (260.0, 2000.0)}


def dies_away(note: MovingNote) -> bool:
    """Whether a note falls by more than 6 dB and 2 dB a second, and so must not loop.

    From the first to the last sixth of what follows its first 130 ms.
    """
    held = note.samples[round(0.13 * note.rate) :]
    parts = [np.mean(part.astype(float) ** 2) for part in np.array_split(held, 6)]
    fall_db = 10 * np.log10(parts[0] / parts[-1])
    return bool(fall_db > 6 and fall_db / (len(held) / note.rate) > 2)


def played_note(kind: str, seed: int) -> MovingNote:
    """Render one played note, a third of them in stereo, rounded to 16 bits."""
    random = np.random.default_rng([77, list(PLAYED).index(kind), seed])
    low, high = RANGES_HZ.get(kind, (60.0, 1000.0))
    f0_hz = float(np.exp(random.uniform(np.log(low), np.log(high))))
    attack = 0.003 if kind in ("piano", "bass") else float(random.uniform(0.02, 0.15))
    held = float(np.exp(random.uniform(np.log(0.35), np.log(4))))
    seconds = np.arange(int((held + attack) * RATE)) / RATE
    stereo = random.integers(0, 3) == 0
    shape = np.minimum(1, seconds / attack)
    sides = [PLAYED[kind](random, seconds, f0_hz) * shape for _ in range(2 if stereo else 1)]
    if stereo:
        sides = [sides[0] + 0.4 * sides[1], 0.4 * sides[0] + sides[1]]
    audio = np.stack(sides, axis=1)
    audio = np.rint(audio / np.abs(audio).max() * 0.5 * 32767) / 32768
    return MovingNote(
        kind=kind,
        seed=seed,
        samples=audio.astype(np.float32),
        rate=RATE,
        f0_hz=f0_hz,
        note_off_frame=None,
    )
