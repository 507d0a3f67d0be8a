"""Print how right, how exact and how honest the pitch stage is, on tones no weight was fitted to.

    python tests/benchmarks/pitch_accuracy.py [seed]

Synthesizer notes of 4 s over five octaves, instrument-like notes of 1.3 s, and worse variants of
both. Exits with 1 when a figure misses its target.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from keymapper.measuring.pitch import measure_pitch
from keymapper.model.pitch import Pitch
from tests.benchmarks.pitch_figures import Figures
from tests.fit_pitch_weights import variants
from tests.measuring.pitch.instrument_tones import (
    INSTRUMENTS,
    RANGES_HZ,
    UNPITCHED,
    make_instrument_tone,
)
from tests.synth import KINDS, make_tone
from tests.synth_parts import Tone

SEED = 90210
NOTES = 12
STEADY = ("saw", "square", "pulse", "triangle", "organ", "drawbars", "fm_reed", "sine", "sync")
LARGEST = {"seven_saws": 1.0, "pwm": 0.6, "vibrato": 0.2, "sweep": 0.7, "pluck": 0.2}
OCTAVE_CENTS = 600.0
RIGHT_CENTS = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One note: what it was, what was found, and how far off, in cents."""

    tone: Tone
    group: str
    variant: str
    pitch: Pitch
    error_cents: float

    @property
    def right(self) -> bool:
        return abs(self.error_cents) < RIGHT_CENTS


def tones(seed: int) -> Iterator[tuple[str, Tone]]:
    rng = np.random.default_rng(seed)
    for kind in KINDS:
        for _ in range(NOTES):
            f0_hz = float(32.7 * 2 ** rng.uniform(0, 6))
            tone = make_tone(kind, f0_hz, seed=int(rng.integers(2**31)))
            if not tone.ambiguous:
                yield "synth", tone
    for kind in INSTRUMENTS:
        low, high = RANGES_HZ[kind]
        for _ in range(NOTES):
            f0_hz = float(low * (high / low) ** rng.random())
            yield "instrument", make_instrument_tone(kind, f0_hz, seed=int(rng.integers(2**31)))


def measured(tone: Tone, group: str, variant: str, sound: np.ndarray) -> Result:
    pitch = measure_pitch(sound, tone.rate_hz)
    error = 1200 * np.log2((pitch.f0_hz or 1e-3) / (tone.f0_hz or 1.0))
    return Result(tone=tone, group=group, variant=variant, pitch=pitch, error_cents=float(error))


def results(seed: int) -> list[Result]:
    rng = np.random.default_rng(seed + 1)
    found = []
    for group, tone in tones(seed):
        for variant, sound in variants(tone, rng).items():
            found.append(measured(tone, group, variant, sound))
    return found


def key_figures(figures: Figures, found: list[Result]) -> None:
    originals = [r for r in found if r.variant == "original"]
    worse = [r for r in found if r.variant != "original"]
    wrong = [r for r in originals if not r.right]
    figures.at_least("right within 50 c, originals, %", 100 * share(originals, right=True), 99.6)
    figures.at_most("unflagged misses, originals", sum(not r.pitch.doubtful for r in wrong), 0)
    figures.at_most("unflagged octave errors, originals", octaves(originals), 0)
    figures.at_most("unflagged octave errors, variants, %", 100 * octaves(worse) / len(worse), 0.1)
    flagged = np.mean([r.pitch.doubtful for r in originals])
    figures.at_most("flagged, originals, %", 100 * float(flagged), 3.0)
    figures.show("flagged, variants, %", 100 * float(np.mean([r.pitch.doubtful for r in worse])))
    for miss in wrong + [r for r in worse if not r.right and not r.pitch.doubtful]:
        tone = miss.tone
        print(
            f"    miss: {tone.kind} {tone.f0_hz:.1f} Hz {miss.variant} {miss.error_cents:+.0f} c"
            f" p {miss.pitch.pitch_confidence:.2f}"
        )


def share(found: list[Result], *, right: bool) -> float:
    return float(np.mean([r.right == right for r in found]))


def octaves(found: list[Result]) -> int:
    return sum(abs(r.error_cents) > OCTAVE_CENTS and not r.pitch.doubtful for r in found)


def cents_figures(figures: Figures, found: list[Result]) -> None:
    synth = [r for r in found if r.group == "synth" and r.variant == "original" and r.right]
    synth = [r for r in synth if "drift_cents_per_second" not in r.tone.facts]
    by_kind = {
        kind: max((abs(r.error_cents) for r in synth if r.tone.kind == kind), default=0.0)
        for kind in KINDS
    }
    figures.at_most("steady kinds, largest error, c", max(by_kind[k] for k in STEADY), 0.01)
    errors = np.array([abs(r.error_cents) for r in synth])
    for percent, limit in ((50, 0.002), (95, 0.25), (99, 0.7)):
        value = float(np.percentile(errors, percent))
        figures.at_most(f"all synth kinds, percentile {percent}, c", value, limit)
    for kind, limit in LARGEST.items():
        figures.at_most(f"{kind}, largest error, c", by_kind[kind], limit)
    inside = [abs(r.error_cents) <= (r.pitch.tuning_error_cents or 0) for r in synth]
    bars = [r.pitch.tuning_error_cents or 0 for r in synth]
    figures.at_least("synth, inside the error bar, %", 100 * float(np.mean(inside)), 95)
    figures.at_most("synth, median error bar, c", float(np.median(bars)), 0.03)


def vibrato_figures(figures: Figures, found: list[Result]) -> None:
    shaken = [r for r in found if "vibrato_hz" in r.tone.facts and r.variant == "original"]
    rate = [abs((r.pitch.vibrato_hz or 0) / r.tone.facts["vibrato_hz"] - 1) for r in shaken]
    depth = [
        abs((r.pitch.vibrato_depth_cents or 0) / r.tone.facts["vibrato_depth_cents"] - 1)
        for r in shaken
    ]
    figures.at_most("vibrato rate, largest error, %", 100 * max(rate), 0.2)
    figures.at_most("vibrato depth, largest error, %", 100 * max(depth), 10)
    drifts = [r for r in found if r.tone.kind == "analogue" and r.variant == "original"]
    slopes = [
        abs((r.pitch.drift_cents_per_second or 0) - r.tone.facts["drift_cents_per_second"])
        for r in drifts
    ]
    figures.show("drift, largest error, c/s", max(slopes))


def unpitched_figures(figures: Figures, seed: int) -> None:
    rng = np.random.default_rng(seed + 2)
    flagged = []
    for kind in UNPITCHED:
        for _ in range(2 * NOTES):
            f0_hz = float(rng.uniform(60, 1000))
            tone = make_instrument_tone(kind, f0_hz, seed=int(rng.integers(2**31)))
            flagged.append(measure_pitch(tone.samples, tone.rate_hz).doubtful)
    figures.at_least("noise and drums flagged, %", 100 * float(np.mean(flagged)), 98)


def main() -> int:
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else SEED
    figures = Figures()
    found = results(seed)
    print(f"seed {seed}: {len(found)} sounds")
    key_figures(figures, found)
    cents_figures(figures, found)
    vibrato_figures(figures, found)
    unpitched_figures(figures, seed)
    return figures.exit_code


if __name__ == "__main__":
    raise SystemExit(main())
