"""Print the pitch stage beside librosa.yin, librosa.pyin and praat's autocorrelation.

    python tests/benchmarks/pitch_compared.py [seed]

The same notes for all: the synthesizer kinds (4 s) and the instrument-like ones (1.3 s), whose
pitch lies in every estimator's range. The others' pitch is the median over frames of the steady
part. On instrument-like notes the stage's error bar is held against the truth where the pitch is
the first partial's, and on all against the mean of praat and yin where those two agree within
6 cents, give or take half of what they differ by.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from keymapper.measuring.pitch import measure_pitch
from keymapper.measuring.pitch.sustain import find_sustain, mono_mix
from keymapper.model.pitch import FIRST_PARTIAL
from tests.benchmarks.pitch_figures import Figures
from tests.measuring.pitch.instrument_tones import INSTRUMENTS, RANGES_HZ, make_instrument_tone
from tests.synth import KINDS, make_tone
from tests.synth_parts import Tone

Array = npt.NDArray[Any]

SEED = 31337
NOTES = 4
SLOW_SHARE = 6  # pyin takes a second a note: every sixth will do
LOWEST_HZ, HIGHEST_HZ = 26.0, 4500.0
AGREE_CENTS = 6.0
RIGHT_CENTS = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Errors in cents of each estimator on one note, and the stage's error bar."""

    group: str
    errors: dict[str, float]
    bar_cents: float
    definition: str | None


def yin(sound: Array, rate_hz: float) -> float:
    import librosa

    track = librosa.yin(sound, fmin=LOWEST_HZ, fmax=HIGHEST_HZ, sr=rate_hz, frame_length=4096)
    return float(np.median(track))


def pyin(sound: Array, rate_hz: float) -> float:
    import librosa

    track, voiced, _ = librosa.pyin(
        sound, fmin=LOWEST_HZ, fmax=HIGHEST_HZ, sr=rate_hz, frame_length=4096
    )
    return float(np.median(track[voiced])) if voiced.any() else 1.0


def praat(sound: Array, rate_hz: float) -> float:
    import parselmouth

    pitch = parselmouth.Sound(sound.astype(np.float64), rate_hz).to_pitch_ac(
        time_step=0.01, pitch_floor=LOWEST_HZ, pitch_ceiling=HIGHEST_HZ
    )
    track = pitch.selected_array["frequency"]
    return float(np.median(track[track > 0])) if (track > 0).any() else 1.0


ESTIMATORS: dict[str, Callable[[Array, float], float]] = {"yin": yin, "praat": praat, "pyin": pyin}


def tones(seed: int) -> list[tuple[str, Tone]]:
    rng = np.random.default_rng(seed)
    found = []
    for kind in KINDS:
        for _ in range(NOTES):
            f0_hz = float(36 * 2 ** rng.uniform(0, 5.5))
            tone = make_tone(kind, f0_hz, seed=int(rng.integers(2**31)))
            if not tone.ambiguous and "drift_cents_per_second" not in tone.facts:
                found.append(("synth", tone))
    for kind in INSTRUMENTS:
        low, high = RANGES_HZ[kind]
        for _ in range(2 * NOTES):
            f0_hz = float(low * (high / low) ** rng.random())
            tone = make_instrument_tone(kind, f0_hz, seed=int(rng.integers(2**31)))
            found.append(("instrument", tone))
    return found


def measured(index: int, group: str, tone: Tone) -> Measured | None:
    sustain = find_sustain(mono_mix(tone.samples), tone.rate_hz)
    if sustain is None or tone.f0_hz is None:
        return None
    steady = sustain.mono[sustain.start_frame : sustain.end_frame]
    steady = np.pad(steady, (0, max(0, 8192 - len(steady))))
    pitch = measure_pitch(tone.samples, tone.rate_hz)
    found = {"ours": pitch.f0_hz or 1.0}
    for name, estimate in ESTIMATORS.items():
        if name != "pyin" or index % SLOW_SHARE == 0:
            found[name] = estimate(steady, tone.rate_hz)
    errors = {name: float(1200 * np.log2(f0_hz / tone.f0_hz)) for name, f0_hz in found.items()}
    return Measured(
        group=group,
        errors=errors,
        bar_cents=pitch.tuning_error_cents or 0.0,
        definition=pitch.definition,
    )


def print_group(group: str, notes: list[Measured]) -> None:
    for name in ("ours", *ESTIMATORS):
        errors = np.array([abs(n.errors[name]) for n in notes if name in n.errors])
        right = errors[errors < RIGHT_CENTS]
        median, high = np.percentile(right, [50, 95])
        print(
            f"{group:11s} {name:6s} {len(errors):4d} notes  {100 * len(right) / len(errors):6.2f} %"
            f" right  median {median:8.4f} c  95 % within {high:8.3f} c"
        )


def bar_figures(figures: Figures, notes: list[Measured]) -> None:
    notes = [note for note in notes if abs(note.errors["ours"]) < RIGHT_CENTS]
    exact = [note for note in notes if note.definition == FIRST_PARTIAL]
    held = [abs(note.errors["ours"]) <= note.bar_cents for note in exact]
    figures.at_least("instruments, truth inside the bar, %", 100 * float(np.mean(held)), 95)
    apart, spare = [], []
    for note in notes:
        spread = abs(note.errors["yin"] - note.errors["praat"])
        if spread < AGREE_CENTS:
            middle = 0.5 * (note.errors["yin"] + note.errors["praat"])
            apart.append(abs(note.errors["ours"] - middle))
            spare.append(note.bar_cents + 0.5 * spread - apart[-1])
    figures.at_most("instruments, 90 % from the pair within, c", np.percentile(apart, 90), 2.5)
    figures.at_most(
        "instruments, above 5 c from the pair, %", 100 * np.mean(np.array(apart) > 5), 4
    )
    figures.at_least("instruments, pair inside the bar, %", 100 * np.mean(np.array(spare) >= 0), 95)


def main() -> int:
    warnings.simplefilter("ignore")
    figures = Figures()
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else SEED
    rows = [measured(i, group, tone) for i, (group, tone) in enumerate(tones(seed))]
    notes = [row for row in rows if row is not None]
    for group in ("synth", "instrument"):
        print_group(group, [note for note in notes if note.group == group])
    bar_figures(figures, [note for note in notes if note.group == "instrument"])
    return figures.exit_code


if __name__ == "__main__":
    raise SystemExit(main())
