"""The offline player: how exact and how fast it is. Run: python tests/benchmarks/player.py"""

from __future__ import annotations

import sys
import time

import numpy as np

from keymapper.formats.sfz import parse_sfz
from keymapper.proving.events import NoteOff, NoteOn, PlayerSample
from keymapper.proving.interpolation import resampled
from keymapper.proving.player import Player

RATE = 48_000
ERROR_TARGET_DB = -90.0
SPEED_TARGET = 50.0


def worst_error_db() -> float:
    """Return the worst error over sines from 20 Hz to 19.9 kHz and steps from 1/4 to 4."""
    random = np.random.default_rng(20)
    worst = 0.0
    for _ in range(400):
        step = float(2.0 ** random.uniform(-2, 2))
        top = 19_900 if step <= 1 else 0.85 * RATE / 2 / step
        frequency = float(np.exp(random.uniform(np.log(20), np.log(top))))
        start = float(random.uniform(0, 1000))
        frames = 4000
        times = np.arange(int(start + step * frames) + 3000)
        sound = np.sin(2 * np.pi * frequency / RATE * times)[:, np.newaxis].astype(np.float32)
        played = resampled(sound, start, step, frames)[:, 0]
        truth = np.sin(2 * np.pi * frequency / RATE * (start + step * np.arange(frames)))
        worst = max(worst, float(np.abs(played - truth)[400:-400].max()))
    return 20 * np.log10(worst)


def times_real_time(opcodes: str, key: int) -> float:
    """Return seconds of sound per second of computing, one stereo voice of 10 seconds."""
    sound = np.random.default_rng(3).standard_normal((4 * RATE, 2)).astype(np.float32) * 0.1
    text = f"<region>sample=a.wav loop_start=48000 loop_end=180000 {opcodes}"
    regions = parse_sfz(text).regions
    events = (NoteOn(at_frame=0, key=key), NoteOff(at_frame=9 * RATE, key=key))
    best = 0.0
    for _ in range(3):
        player = Player(regions, {"a.wav": PlayerSample(samples=sound, rate=RATE)})
        before = time.process_time()
        player.render(player.voices(events), 10 * RATE)
        best = max(best, 10.0 / (time.process_time() - before))
    return best


def main() -> int:
    """Print the figures beside their targets."""
    failed = 0
    error = worst_error_db()
    failed += error > ERROR_TARGET_DB
    print(f"worst interpolation error     {error:8.1f} dB   (target <= {ERROR_TARGET_DB:.0f} dB)")
    loop = "loop_mode=loop_continuous ampeg_release=0.3"
    cases = {
        "looped, 2 semitones down": (loop, 58),
        "looped, 7 semitones up": (loop, 67),
        "looped, at the root, tune=3": (f"{loop} tune=3", 60),
        "with a low-pass of 2 poles": (f"{loop} cutoff=4000", 58),
    }
    for name, (opcodes, key) in cases.items():
        speed = times_real_time(opcodes, key)
        failed += speed < SPEED_TARGET
        print(f"{name:<30}{speed:7.0f} x    (target >= {SPEED_TARGET:.0f} x real time)")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
