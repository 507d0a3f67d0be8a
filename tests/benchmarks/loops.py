"""Figures of the loop search on the held half (odd seeds) of notes made from truths.

Run: python tests/benchmarks/loops.py [notes per kind] [first seed, odd for figures]
Every loop is judged as shipped: baked, rounded to 16 bits, by the join measure the search does
not know. Beside it, on the same notes: nearest zero crossings, best autocorrelation lag, random.
Notes are given their note-off, as builds of a session do; then again without, as others do.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from keymapper.measuring.join import join_audibility
from keymapper.measuring.loops import bake_loop, find_loop, flattened
from keymapper.measuring.loops.region import find_region
from keymapper.model.loop import JoinAudibility, Loop, LoopVerdict
from tests.moving_notes import DECAYING, NASTY, RATE, STEADY, SUSTAINING, MovingNote, moving_note
from tests.played_notes import PLAYED, dies_away, played_note

#: Shares of a population of synth notes: most are steady (80, 7, 24 and 16 of 127).
SHARES = {"steady": 0.63, "beating": 0.055, "modulated": 0.189, "moving": 0.126}
MODULATED = ("pulse_modulation", "chorus", "vibrato")
OFF_PERIOD = 0.02


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """One judged note: what was found, how audible it is, and how the baselines fare."""

    note: MovingNote
    verdict: LoopVerdict
    heard: JoinAudibility | None
    baselines_db: dict[str, float]

    def worst_db(self) -> float:
        return 99.0 if self.heard is None else self.heard.worst_db

    def join_only_db(self) -> float:
        return 99.0 if self.heard is None else join_only_db(self.heard)

    def lively(self) -> bool:
        frozen = None if self.heard is None else self.heard.frozen_db
        return self.worst_db() <= 0 and frozen is not None and frozen <= 1

    def off_period(self, reachable: bool) -> list[float]:
        """Distance from a whole number of true periods, for long loops and periods that fit.

        Loops are whole periods of the tone as well. Where half a period of a low tone is more
        than 2 % of the modulation, no loop can be sure to reach that (``reachable``).
        """
        loop = self.verdict.loop
        if loop is None or self.verdict.kind != "long":
            return []
        tone = 1 / self.note.f0_hz
        periods = [p for p in self.note.periods_seconds if p < 0.9 * sustain_seconds(self.note)]
        periods = [p for p in periods if (tone / 2 <= OFF_PERIOD * p) is reachable]
        turns = [loop.length_frames / self.note.rate / period for period in periods]
        return [abs(turn - round(turn)) for turn in turns]


def join_only_db(heard: JoinAudibility) -> float:
    """Return the worst cue of a join without repetition."""
    wobble = -20.0 if heard.wobble_db is None else heard.wobble_db
    return max(heard.click_db, heard.step_db, heard.level_db, heard.pitch_db, wobble)


def sustain_seconds(note: MovingNote) -> float:
    end = len(note.samples) if note.note_off_frame is None else note.note_off_frame
    return end / note.rate


def zero_crossings(note: MovingNote, first: int, last: int) -> Loop:
    mono = note.samples.mean(axis=1)
    rising = np.flatnonzero((mono[:-1] < 0) & (mono[1:] >= 0)) + 1
    places = [first + part * (last - first) for part in (0.4, 0.9)]
    start, end = (int(rising[np.argmin(np.abs(rising - place))]) for place in places)
    return Loop(start_frame=start, end_frame=max(end, start + 1))


def autocorrelation(note: MovingNote, first: int, last: int) -> Loop:
    mono = note.samples[first:last].mean(axis=1)
    spectrum = np.fft.rfft(mono, 2 * len(mono))
    raw = np.fft.irfft(np.abs(spectrum) ** 2)[: len(mono)]
    raw = raw / (len(mono) - np.arange(len(mono)))
    shortest = min(round(0.1 * note.rate), len(mono) // 3)
    lag = shortest + int(np.argmax(raw[shortest : max(shortest + 1, int(0.7 * len(mono)))]))
    return Loop(start_frame=last - lag, end_frame=last)


def at_random(note: MovingNote, first: int, last: int) -> Loop:
    random = np.random.default_rng([note.seed, last])
    start, end = np.sort(random.integers(first + 1, last, 2))
    return Loop(start_frame=int(start), end_frame=int(max(end, start + 200)))


BASELINES: dict[str, Callable[[MovingNote, int, int], Loop]] = {
    "zero crossings": zero_crossings,
    "autocorrelation": autocorrelation,
    "random": at_random,
}


def judge(note: MovingNote) -> Outcome:
    samples, rate, plain = note.samples, note.rate, {}
    if note.kind not in DECAYING:
        region = find_region(samples, rate, note.note_off_frame)
        for name, choose in BASELINES.items():
            loop = choose(note, region.start_frame, region.end_frame)
            if loop.end_frame <= len(samples):
                plain[name] = join_audibility(samples, samples, rate, loop).worst_db
    return shipped_loop(note, note.note_off_frame, plain)


def shipped_loop(note: MovingNote, off_frame: int | None, plain: dict[str, float]) -> Outcome:
    samples, rate, heard = note.samples, note.rate, None
    verdict = find_loop(samples, rate, f0_hz=note.f0_hz, note_off_frame=off_frame)
    if verdict.loop is not None:
        shipped = np.rint(bake_loop(samples, rate, verdict) * 32767) / 32767
        heard = join_audibility(flattened(samples, rate, verdict), shipped, rate, verdict.loop)
    return Outcome(note=note, verdict=verdict, heard=heard, baselines_db=plain)


def percent(values: Iterable[bool]) -> float:
    return 100 * float(np.mean(list(values)))


def row(name: str, outcomes: list[Outcome]) -> None:
    plain = "  ".join(
        f"{percent(o.baselines_db.get(key, 99.0) <= 0 for o in outcomes):4.0f}" for key in BASELINES
    )
    print(
        f"{name:26s}{len(outcomes):4d}  {percent(o.worst_db() <= 0 for o in outcomes):5.1f}"
        f"  {percent(o.join_only_db() <= 0 for o in outcomes):5.1f}"
        f"  {percent(o.lively() for o in outcomes):5.1f}"
        f"  {np.median([o.worst_db() for o in outcomes]):6.1f}   {plain}"
    )


def weighted_median_db(outcomes: list[Outcome]) -> float:
    """Median score of sustaining notes in the shares of a population of synth notes."""
    groups = [_share_group(o.note.kind) for o in outcomes]
    weights = np.array([SHARES[group] / groups.count(group) for group in groups])
    scores = np.array([o.worst_db() for o in outcomes])
    order = np.argsort(scores)
    return float(scores[order][np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2)])


def _share_group(kind: str) -> str:
    if kind == "two_oscillators":
        return "beating"
    if kind in STEADY:
        return "steady"
    return "modulated" if kind in MODULATED else "moving"


def check(name: str, value: float, target: float, at_least: bool) -> None:
    good = value >= target if at_least else value <= target
    sign = ">=" if at_least else "<="
    print(f"{'pass' if good else 'FAIL'}  {name}: {value:.1f} ({sign} {target:g})")


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    seeds = range(first, first + 2 * count, 2)
    print(f"{'% inaudible':26s}   n   full   join lively  median   zero auto rand")
    groups: dict[str, list[Outcome]] = {}
    for name, kinds, make in (
        ("sustaining", SUSTAINING, moving_note),
        ("nasty", NASTY, moving_note),
        ("played", PLAYED, played_note),
    ):
        groups[name] = []
        for kind in kinds:
            outcomes = [judge(make(kind, seed)) for seed in seeds]
            row(kind, outcomes)
            groups[name] += outcomes
        row(f"all {name}", groups[name])
    figures(groups, [judge(moving_note(kind, seed)) for kind in DECAYING for seed in seeds])


def figures(groups: dict[str, list[Outcome]], decaying: list[Outcome]) -> None:
    sustaining, nasty, played = groups["sustaining"], groups["nasty"], groups["played"]
    long_held = [o for o in played if sustain_seconds(o.note) >= 2]
    print()
    rendered_figures(sustaining, nasty)
    check("played >= 2 s, inaudible %", percent(o.worst_db() <= 0 for o in long_held), 97, True)
    check("played, inaudible %", percent(o.worst_db() <= 0 for o in played), 73, True)
    check("played, join only %", percent(o.join_only_db() <= 0 for o in played), 97, True)
    living = [o for o in played if not dies_away(o.note)]
    inaudible = percent(o.worst_db() <= 0 for o in living if sustain_seconds(o.note) >= 2)
    joined = percent(o.join_only_db() <= 0 for o in living)
    print(
        f"      ... without {len(played) - len(living)} that die away: >= 2 s {inaudible:.1f}, "
        f"join only {joined:.1f}"
    )
    silence = find_loop(np.zeros((RATE, 1), np.float32), RATE).loop is not None
    loops = sum(o.verdict.loop is not None for o in decaying) + silence
    check("loops on decaying or silent notes", loops, 0, False)
    refused = sum(o.verdict.loop is None for o in [*sustaining, *nasty])
    check("sustaining notes refused", refused, 0, False)
    reachable = [value for o in sustaining for value in o.off_period(reachable=True)]
    low = [value for o in sustaining for value in o.off_period(reachable=False)]
    off = reachable + low
    check("off a whole number of periods, worst %", 100 * max(off), 100 * OFF_PERIOD, False)
    over = sum(value > OFF_PERIOD for value in off)
    print(f"      ... median {100 * np.median(off):.2f} %, {over} of {len(off)} over 2 %")
    print(f"      ... where a loop can be sure to reach that, worst {100 * max(reachable):.2f} %")
    print("\nwithout the note-off")
    found = [[shipped_loop(o.note, None, {}) for o in group] for group in (sustaining, nasty)]
    rendered_figures(*found)
    refused = sum(o.verdict.loop is None for group in found for o in group)
    check("sustaining notes refused", refused, 0, False)


def rendered_figures(sustaining: list[Outcome], nasty: list[Outcome]) -> None:
    steady = [o for o in sustaining if o.note.kind in STEADY]
    pads = [o for o in nasty if o.note.kind != "short_pad"]
    check("sustaining, inaudible %", percent(o.worst_db() <= 0 for o in sustaining), 99, True)
    check("steady and beating, inaudible %", percent(o.worst_db() <= 0 for o in steady), 100, True)
    check("sustaining, median dB", float(np.median([o.worst_db() for o in sustaining])), -12, False)
    print(f"      ... in the shares of a usual population: {weighted_median_db(sustaining):.1f}")
    check("nasty, inaudible %", percent(o.worst_db() <= 0 for o in nasty), 88, True)
    check("nasty without short pads, %", percent(o.worst_db() <= 0 for o in pads), 95, True)


if __name__ == "__main__":
    main()
