"""Held notes with known truths: steady, beating, modulated, breathing, decaying.

Every note is rendered from a kind and a seed, the same on every run. ``periods_seconds`` holds
the true beat or modulation periods a good loop is a whole number of (empty when there is none
in common).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

RATE = 44100


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MovingNote:
    """One rendered note: audio (frames, channels), its fundamental, note-off and true periods."""

    kind: str
    seed: int
    samples: np.ndarray
    rate: int
    f0_hz: float
    note_off_frame: int | None
    periods_seconds: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage:
    """What a kind draws from: random numbers, times of every frame, fundamental, channels."""

    random: np.random.Generator
    seconds: np.ndarray
    f0_hz: float
    stereo: bool

    def uniform(self, low: float, high: float) -> float:
        return float(self.random.uniform(low, high))

    def phase(self) -> float:
        return self.uniform(0, 1)

    def sine(self, rate_hz: float, phase: float = 0.0) -> np.ndarray:
        return np.asarray(np.sin(2 * np.pi * (rate_hz * self.seconds + phase)))

    def drift(self, hertz: float) -> np.ndarray:
        """A slow random walk of unit rms with most of its power under ``hertz``."""
        points = max(4, int(self.seconds[-1] * hertz * 2) + 4)
        knots = self.random.standard_normal(points)
        place = np.linspace(0, points - 1.001, len(self.seconds))
        low = place.astype(int)
        part = (1 - np.cos(np.pi * (place - low))) / 2
        return np.asarray(knots[low] * (1 - part) + knots[low + 1] * part)


def _table(harmonics: int) -> np.ndarray:
    spectrum = np.zeros(8193, dtype=complex)
    order = np.arange(1, min(harmonics, 4000) + 1)
    spectrum[order] = -1j / order
    wave = np.fft.irfft(spectrum, 16384) * 16384 / np.pi / 2
    return np.append(wave, wave[0])


def saw(stage: Stage, ratio: float | np.ndarray = 1.0, start: float = 0.0) -> np.ndarray:
    """A band-limited sawtooth at ``ratio`` times the fundamental, which may move."""
    frequency = stage.f0_hz * np.broadcast_to(ratio, stage.seconds.shape)
    turns = start + np.cumsum(frequency) / RATE
    table = _table(int(0.42 * RATE / frequency.max()))
    place = (turns % 1.0) * 16384
    low = place.astype(int)
    return np.asarray(table[low] + (place - low) * (table[low + 1] - table[low]))


def pulse(stage: Stage, width: np.ndarray, ratio: float = 1.0, start: float = 0.0) -> np.ndarray:
    """A band-limited pulse of moving width: two sawtooths apart."""
    turns = start + np.cumsum(np.full(len(stage.seconds), stage.f0_hz * ratio)) / RATE
    table = _table(int(0.42 * RATE / (stage.f0_hz * ratio)))
    points = np.arange(len(table))
    first = np.interp((turns % 1) * 16384, points, table)
    return np.asarray(first - np.interp(((turns + width) % 1) * 16384, points, table))


def filtered_saw(
    stage: Stage, cutoff_hz: np.ndarray, ratio: float | np.ndarray = 1.0
) -> np.ndarray:
    """A sawtooth through a moving second-order low-pass, partial by partial."""
    frequency = stage.f0_hz * np.broadcast_to(ratio, stage.seconds.shape)
    turns = np.cumsum(frequency) / RATE
    top = int(min(60, 0.42 * RATE / frequency.max()))
    total = np.zeros(len(stage.seconds))
    for order in range(1, top + 1):
        gain = 1 / order / (1 + (order * frequency / cutoff_hz) ** 2)
        total += gain * np.sin(2 * np.pi * order * turns + order)
    return total


def cents(value: float | np.ndarray) -> np.ndarray:
    return np.asarray(2.0 ** (np.asarray(value) / 1200))


def _spread(stage: Stage, left: np.ndarray, right: np.ndarray) -> np.ndarray:
    return np.stack([left, right], axis=1) if stage.stereo else (left + right)[:, None] / 2


def _chorus(stage: Stage, dry: np.ndarray, rate_hz: float) -> np.ndarray:
    index = np.arange(len(dry))
    wet = []
    for side in (0.0, 0.5):
        delay = RATE * (0.012 + 0.003 * stage.sine(rate_hz, side))
        wet.append(np.interp(index - delay, index, dry))
    return _spread(stage, dry + wet[0], dry + wet[1])


def _shaped_noise(stage: Stage, centre_hz: float, octaves: float) -> np.ndarray:
    noise = np.fft.rfft(stage.random.standard_normal(len(stage.seconds)))
    hertz = np.fft.rfftfreq(len(stage.seconds), 1 / RATE) + 1e-3
    return np.asarray(
        np.fft.irfft(
            noise * np.exp(-((np.log2(hertz / centre_hz) / octaves) ** 2)), len(stage.seconds)
        )
    )


Rendered = tuple[np.ndarray, tuple[float, ...]]


def seven_saws(stage: Stage) -> Rendered:
    spread = stage.uniform(4, 14)
    sides = [np.zeros(len(stage.seconds)), np.zeros(len(stage.seconds))]
    for voice in range(-3, 4):
        wave = saw(stage, cents(spread * voice / 3 + stage.uniform(-0.6, 0.6)), stage.phase())
        sides[0] += wave * (1 - voice / 6)
        sides[1] += wave * (1 + voice / 6)
    return _spread(stage, *sides), ()


def seven_saws_chorus(stage: Stage) -> Rendered:
    stack = seven_saws(stage)[0].mean(axis=1)
    return _chorus(stage, stack, stage.uniform(0.3, 0.9)), ()


def two_pulse_modulations(stage: Stage) -> Rendered:
    widths = [0.5 + 0.35 * stage.sine(stage.uniform(0.3, 1.6), stage.phase()) for _ in range(2)]
    first = pulse(stage, widths[0], 1.0, stage.phase())
    second = pulse(stage, widths[1], float(cents(stage.uniform(3, 9))), stage.phase())
    return _spread(stage, first + 0.6 * second, 0.6 * first + second), ()


def three_drifting(stage: Stage) -> Rendered:
    waves = [
        saw(stage, cents(stage.uniform(-5, 5) + 2.0 * stage.drift(0.7)), stage.phase())
        for _ in range(3)
    ]
    return _spread(stage, waves[0] + waves[1], waves[2] + waves[1]), ()


def vibrato_tremolo(stage: Stage) -> Rendered:
    vibrato, tremolo = stage.uniform(4.2, 6.2), stage.uniform(2.2, 4.0)
    wave = saw(stage, cents(stage.uniform(12, 30) * stage.sine(vibrato, stage.phase())))
    depth = stage.uniform(0.15, 0.4)
    phase = stage.phase()
    return _spread(
        stage,
        wave * (1 + depth * stage.sine(tremolo, phase)),
        wave * (1 + depth * stage.sine(tremolo, phase + 0.25)),
    ), ()


def sample_and_hold(stage: Stage) -> Rendered:
    rate_hz = stage.uniform(4, 9)
    steps = stage.uniform(0.3, 2.0) * stage.random.standard_normal(64)
    octaves = steps[(stage.seconds * rate_hz).astype(int) % 64]
    kernel = np.hanning(int(0.012 * RATE))
    octaves = np.convolve(octaves, kernel / kernel.sum(), mode="same")
    wave = filtered_saw(stage, 4 * stage.f0_hz * 2.0**octaves)
    return _spread(stage, wave, wave * 0.8), ()


def closing_filter(stage: Stage) -> Rendered:
    length = stage.seconds[-1]
    octaves = stage.uniform(5, 6) - stage.uniform(1.5, 3.0) * stage.seconds / length
    wave = filtered_saw(stage, stage.f0_hz * 2.0**octaves)
    other = filtered_saw(stage, stage.f0_hz * 2.0**octaves, cents(stage.uniform(2, 7)))
    return _spread(stage, wave + 0.5 * other, 0.5 * wave + other), ()


def blown(stage: Stage) -> Rendered:
    jitter = cents(stage.uniform(2, 6) * stage.drift(4))
    turns = np.cumsum(stage.f0_hz * jitter) / RATE
    total = np.zeros(len(stage.seconds))
    for order in range(1, 8):
        if order * stage.f0_hz > 0.4 * RATE:
            break
        breath = 1 + 0.12 * stage.drift(6)
        total += breath * 0.5**order * np.sin(2 * np.pi * (order * turns + stage.phase()))
    noises = [_shaped_noise(stage, min(4 * stage.f0_hz, 9000), 1.0) for _ in range(2)]
    level = stage.uniform(0.05, 0.3)
    noises = [level * noise / np.std(noise) * np.std(total) for noise in noises]
    return _spread(stage, total + noises[0], total + noises[1]), ()


def slow_decay(stage: Stage) -> Rendered:
    detune = stage.uniform(2, 8)
    beat = stage.f0_hz * (float(cents(detune)) - 1)
    wave = saw(stage) + saw(stage, float(cents(detune)), stage.phase())
    fall_db = stage.uniform(2, 5.5) * stage.seconds / stage.seconds[-1]
    bright = stage.uniform(0, 1)
    dull = filtered_saw(stage, np.full(len(stage.seconds), 3 * stage.f0_hz))
    wave = (wave + bright * dull) * 10 ** (-fall_db / 20)
    return _spread(stage, wave, wave * 0.7), (1 / beat,)


def gated(stage: Stage) -> Rendered:
    rate_hz = stage.uniform(3, 8)
    open_part = stage.uniform(0.4, 0.7)
    gate = ((stage.seconds * rate_hz) % 1 < open_part).astype(float)
    kernel = np.hanning(int(0.006 * RATE))
    gate = np.convolve(gate, kernel / kernel.sum(), mode="same")
    wave = saw(stage) + saw(stage, float(cents(stage.uniform(4, 12))), stage.phase())
    wave = wave * (stage.uniform(0.0, 0.1) + gate)
    return _spread(stage, wave, wave * 0.9), (1 / rate_hz,)


def short_pad(stage: Stage) -> Rendered:
    return seven_saws(stage)


def steady_saw(stage: Stage) -> Rendered:
    wave = saw(stage, 1.0, stage.phase())
    return _spread(stage, wave, wave * stage.uniform(0.5, 1)), ()


def steady_square(stage: Stage) -> Rendered:
    wave = pulse(stage, np.full(len(stage.seconds), stage.uniform(0.1, 0.5)))
    return _spread(stage, wave, wave), ()


def steady_modulated(stage: Stage) -> Rendered:
    ratio = int(stage.random.integers(1, 5))
    turns = stage.f0_hz * stage.seconds
    index = stage.uniform(0.5, 3)
    wave = np.sin(2 * np.pi * turns + index * np.sin(2 * np.pi * ratio * turns))
    return _spread(stage, wave, wave), ()


def steady_drawbars(stage: Stage) -> Rendered:
    wave = sum(
        stage.uniform(0.2, 1)
        * np.sin(2 * np.pi * (stage.f0_hz * part * stage.seconds + stage.phase()))
        for part in (0.5, 1, 1.5, 2, 3, 4)
    )
    return _spread(stage, np.asarray(wave), np.asarray(wave)), ()


def two_oscillators(stage: Stage) -> Rendered:
    beat = stage.uniform(0.7, 4.0)
    ratio = 1 + beat / stage.f0_hz
    first, second = saw(stage, 1.0, stage.phase()), saw(stage, ratio, stage.phase())
    return _spread(stage, first + 0.7 * second, 0.7 * first + second), (1 / beat,)


def pulse_modulation(stage: Stage) -> Rendered:
    rate_hz = stage.uniform(0.6, 4)
    width = 0.5 + stage.uniform(0.2, 0.4) * stage.sine(rate_hz, stage.phase())
    wave = pulse(stage, width)
    return _spread(stage, wave, wave), (1 / rate_hz,)


def chorus(stage: Stage) -> Rendered:
    rate_hz = stage.uniform(0.6, 3)
    period = (1 if stage.stereo else 0.5) / rate_hz  # in mono the two sides fold into one half
    return _chorus(stage, saw(stage), rate_hz), (period,)


def vibrato(stage: Stage) -> Rendered:
    rate_hz = stage.uniform(3, 7)
    wave = saw(stage, cents(stage.uniform(8, 40) * stage.sine(rate_hz, stage.phase())))
    return _spread(stage, wave, wave), (1 / rate_hz,)


def noise_pad(stage: Stage) -> Rendered:
    sides = [_shaped_noise(stage, stage.f0_hz * 4, stage.uniform(0.5, 2)) for _ in range(2)]
    return _spread(stage, *sides), ()


def filter_sweep(stage: Stage) -> Rendered:
    rate_hz = stage.uniform(0.08, 0.25)
    octaves = 3.5 + 1.2 * stage.sine(rate_hz, stage.phase())
    wave = filtered_saw(stage, stage.f0_hz * 2.0**octaves)
    return _spread(stage, wave, wave), ()


def _decaying(stage: Stage, ratios: tuple[float, ...], seconds: float) -> np.ndarray:
    total = np.zeros(len(stage.seconds))
    for order, ratio in enumerate(ratios):
        if ratio * stage.f0_hz < 0.45 * RATE:
            fall = np.exp(-stage.seconds / seconds * (1 + 0.4 * order))
            total += fall * 0.7**order * stage.sine(ratio * stage.f0_hz, stage.phase())
    return total


def bell(stage: Stage) -> Rendered:
    ratios = (1.0, 2.0, 2.41, 3.0, 4.52, 5.43)
    wave = _decaying(stage, ratios, stage.uniform(0.4, 1.0))
    return _spread(stage, wave, wave), ()


def struck_keys(stage: Stage) -> Rendered:
    wave = _decaying(stage, (1.0, 2.0, 3.0, 4.0, 7.0, 14.0), stage.uniform(0.5, 1.2))
    tremble = 1 + 0.2 * stage.sine(stage.uniform(4, 6))
    return _spread(stage, wave * tremble, wave * (2 - tremble)), ()


def plucked(stage: Stage) -> Rendered:
    wave = _decaying(stage, tuple(float(k) for k in range(1, 16)), stage.uniform(0.15, 0.5))
    return _spread(stage, wave, wave), ()


NASTY: dict[str, Callable[[Stage], Rendered]] = {
    "seven_saws_chorus": seven_saws_chorus,
    "two_pulse_modulations": two_pulse_modulations,
    "three_drifting": three_drifting,
    "vibrato_tremolo": vibrato_tremolo,
    "sample_and_hold": sample_and_hold,
    "closing_filter": closing_filter,
    "blown": blown,
    "slow_decay": slow_decay,
    "gated": gated,
    "short_pad": short_pad,
}
STEADY: dict[str, Callable[[Stage], Rendered]] = {
    "steady_saw": steady_saw,
    "steady_square": steady_square,
    "steady_modulated": steady_modulated,
    "steady_drawbars": steady_drawbars,
    "two_oscillators": two_oscillators,
}
SUSTAINING: dict[str, Callable[[Stage], Rendered]] = STEADY | {
    "pulse_modulation": pulse_modulation,
    "chorus": chorus,
    "vibrato": vibrato,
    "seven_saws": seven_saws,
    "noise_pad": noise_pad,
    "filter_sweep": filter_sweep,
}
DECAYING: dict[str, Callable[[Stage], Rendered]] = {
    "bell": bell,
    "struck_keys": struck_keys,
    "plucked": plucked,
}
KINDS = NASTY | SUSTAINING | DECAYING


def moving_note(kind: str, seed: int) -> MovingNote:
    """Render one note of a kind: 27 Hz to 2 kHz, mono or stereo, with attack and release."""
    random = np.random.default_rng([list(KINDS).index(kind), seed])
    held = 1.2 if kind == "short_pad" else float(random.uniform(2.5, 4.0))
    release = float(random.uniform(0.1, 0.5))
    seconds = np.arange(int((held + release) * RATE)) / RATE
    stage = Stage(
        random=random,
        seconds=seconds,
        f0_hz=float(np.exp(random.uniform(np.log(27.5), np.log(2000)))),
        stereo=bool(random.integers(0, 2)),
    )
    audio, periods = KINDS[kind](stage)
    attack = 0.25 if kind == "short_pad" else float(random.choice([0.003, 0.02, 0.15]))
    shape = np.minimum(1, seconds / attack)
    shape = shape * np.exp(-np.maximum(0, seconds - held) / (release / 5))
    audio = audio * shape[:, None]
    audio = audio * (float(random.uniform(0.1, 0.8)) / np.abs(audio).max())
    return MovingNote(
        kind=kind,
        seed=seed,
        samples=audio.astype(np.float32),
        rate=RATE,
        f0_hz=stage.f0_hz,
        note_off_frame=int(held * RATE),
        periods_seconds=periods,
    )
