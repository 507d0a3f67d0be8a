"""Figures of cutting takes, on sessions rendered from truth.

``python tests/benchmarks/slicing.py [--seeds 101 102] [--no-synth]``

Two sources: our own renderer, whose truth is exact, and, where fluidsynth and a sound font of the
system are there, an independent synth playing the planned MIDI file; the truth of its onsets is
taken from renderings of every note alone. The seeds of the default were not used in development.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from other_synth import PROGRAMS, played_by_another_synth, synth_is_there

from keymapper.cutting import heard_pitch
from keymapper.errors import MeasurementError
from keymapper.model.session import SessionSettings, SessionSheet
from keymapper.planning.sheet import plan_session
from keymapper.slicing.found import SlicedTake
from keymapper.slicing.hearing import hear_take
from keymapper.slicing.planned import slice_by_plan
from keymapper.slicing.unplanned import slice_unplanned
from tests.session_takes import PATCHES, Key, Recording, RenderedTake, render_take
from tests.slicing.takes import ArrayTake

SHARP = ("lead", "pluck", "bass", "bell", "chorus", "tails")
SOFT = ("brass", "breath")
PADS = ("pad",)
CLICKED = ("click_pad",)
SLOW = (*PADS, *CLICKED)
CURVED = ("curved_pad",)
NEAR_SECONDS = 0.3


@dataclass(kw_only=True)
class Tally:
    """Counts and errors over many takes."""

    takes: int = 0
    planned: int = 0
    found: int = 0
    invented: int = 0
    wrong: int = 0
    refused: int = 0
    extras: int = 0
    extras_found: int = 0
    extras_invented: int = 0
    onsets_ms: list[float] = field(default_factory=list)
    latency_ms: list[float] = field(default_factory=list)
    drift_ppm: list[float] = field(default_factory=list)

    def add(self, take: RenderedTake, cut: SlicedTake) -> None:
        truth = {n.plan_index: n for n in take.notes if n.plan_index is not None}
        got = {n.plan_index: n for n in cut.notes if n.plan_index is not None}
        self.takes += 1
        self.planned += len(truth)
        for index, note in got.items():
            if index not in truth:
                self.invented += 1
                continue
            self.found += 1
            error = note.onset_seconds - truth[index].onset_seconds
            self.wrong += abs(error) > NEAR_SECONDS
            self.onsets_ms.append(1000 * error)
        self._add_extras(take, cut)

    def _add_extras(self, take: RenderedTake, cut: SlicedTake) -> None:
        true = [n.onset_seconds for n in take.notes if n.plan_index is None]
        got = [n.onset_seconds for n in cut.notes if n.plan_index is None]
        hits = sum(any(abs(one - other) < 0.05 for other in got) for one in true)
        self.extras += len(true)
        self.extras_found += hits
        self.extras_invented += len(got) - hits

    def add_line(self, cut: SlicedTake, how: Recording) -> None:
        self.latency_ms.append(
            1000 * ((cut.latency_seconds or 0) - how.latency_seconds + how.start_late_seconds)
        )
        self.drift_ppm.append((cut.drift_ppm or 0) - how.drift_ppm)

    def __add__(self, other: Tally) -> Tally:
        return Tally(**{name: getattr(self, name) + getattr(other, name) for name in vars(self)})


def random_sheet(patch: str, seed: int) -> SessionSheet:
    """Return a session that suits a patch."""
    draw = np.random.default_rng([seed, 5])
    sound = PATCHES[patch]
    slow = sound.attack_seconds > 0.5
    low = int(draw.integers(30, 50))
    hold = float(draw.uniform(2.5, 3.5) if slow else draw.uniform(0.6, 2.0))
    release = (
        1.2 if patch == "tails" else 0.9 * sound.release_seconds * float(draw.uniform(0.6, 1.2))
    )
    settings = SessionSettings(
        lowest_key=low,
        highest_key=low + int(draw.integers(20, 40)),
        every=int(draw.integers(4, 8)),
        velocities=((45, 110), (30, 70, 120), (100,))[draw.integers(3)],
        repeats=int(draw.integers(1, 3)),
        order=("upwards", "shuffled")[draw.integers(2)],
        hold_seconds=hold,
        release_seconds=release,
        pause_seconds=float(draw.uniform(0.1, 0.4)),
        spacing_seconds=hold + release + 0.3 if draw.uniform() < 0.5 else None,
        sync_notes=int(draw.choice([0, 4])),
    )
    return plan_session(settings)


def conditions(seed: int) -> dict[str, Recording]:
    draw = np.random.default_rng([seed, 6])
    moved = {
        "latency_seconds": float(draw.uniform(0.02, 3)),
        "drift_ppm": float(draw.uniform(-400, 400)),
        "channels": int(draw.integers(1, 3)),
        "rate_hz": int(draw.choice([44_100, 48_000])),
        "seed": seed,
    }
    return {
        "clean": Recording(latency_seconds=0.1, noise_dbfs=None, seed=seed),
        "latency, drift": Recording(**moved, noise_dbfs=-85.0),
        "and noise, hum": Recording(**moved, noise_dbfs=-60.0, hum_dbfs=-65.0),
    }


def cut(take: RenderedTake, sheet: SessionSheet) -> SlicedTake:
    return slice_by_plan(hear_take(ArrayTake(take.samples, take.rate_hz)), sheet, heard_pitch)


def planned(patches: Sequence[str], seeds: Sequence[int], condition: str) -> Tally:
    tally = Tally()
    for patch in patches:
        for seed in seeds:
            sheet = random_sheet(patch, seed)
            take = render_take(sheet.notes, PATCHES[patch], conditions(seed)[condition])
            try:
                tally.add(take, cut(take, sheet))
            except MeasurementError as error:
                print(f"  refused: {patch}, seed {seed}: {error}")
                tally.refused += 1
    return tally


def with_accidents(patch: str, seed: int) -> tuple[SessionSheet, Recording]:
    draw = np.random.default_rng([seed, 7])
    sheet = random_sheet(patch, seed)
    order = [int(i) for i in draw.permutation(np.arange(2, len(sheet.notes)))]
    gap = sheet.notes[order[0]]
    extra = Key(
        key=gap.key + 3,
        velocity=100,
        on_seconds=gap.on_seconds + 0.37,
        off_seconds=gap.off_seconds,
    )
    how = replace(
        conditions(seed)["latency, drift"],
        missing=frozenset(order[:2]),
        doubled={order[2]: float(draw.uniform(0.1, 0.3))},
        extra=(extra,),
        start_late_seconds=float(draw.uniform(0, 12)) if seed % 2 else 0.0,
        stop_early_seconds=float(draw.uniform(0, 12)) if seed % 3 else 0.0,
    )
    return sheet, how


def accidents(patches: Sequence[str], seeds: Sequence[int]) -> Tally:
    tally = Tally()
    for patch in patches:
        for seed in seeds:
            sheet, how = with_accidents(patch, seed)
            take = render_take(sheet.notes, PATCHES[patch], how)
            try:
                tally.add(take, cut(take, sheet))
            except MeasurementError as error:
                print(f"  refused: {patch}, seed {seed}: {error}")
                tally.refused += 1
    return tally


def ten_minutes(patches: Sequence[str], seeds: Sequence[int]) -> Tally:
    tally = Tally()
    for patch, seed in zip(patches, seeds, strict=False):
        settings = SessionSettings(
            lowest_key=36, highest_key=84, every=4, velocities=(60, 110), repeats=4, seed=seed,
            hold_seconds=2.8 if PATCHES[patch].attack_seconds > 0.5 else 2.0,
            release_seconds=PATCHES[patch].release_seconds, order="shuffled",
            reference_every_seconds=120,
        )  # fmt: skip
        sheet = plan_session(settings)
        notes = tuple(note for note in sheet.notes if note.off_seconds < 597)
        sheet = replace(sheet, notes=notes)
        how = replace(conditions(seed)["latency, drift"], channels=1, jitter_seconds=0.0005)
        take = render_take(sheet.notes, PATCHES[patch], how)
        result = cut(take, sheet)
        tally.add(take, result)
        tally.add_line(result, how)
    return tally


def soft_notes(seeds: Sequence[int]) -> Tally:
    """Notes whose RMS stands 6 dB above the noise floor."""
    tally = Tally()
    for patch in ("lead", "pluck", "bass", "brass"):
        for seed in seeds:
            sheet = random_sheet(patch, seed)
            notes = tuple(replace(note, velocity=100) for note in sheet.notes)
            sheet = replace(sheet, notes=notes)
            loud = render_take(notes, PATCHES[patch], Recording(seed=seed, noise_dbfs=-47.0))
            level = float(np.median([n.signal_to_noise_db for n in loud.notes]))
            how = Recording(seed=seed, noise_dbfs=-47.0, peak=0.5 * 10 ** ((6.0 - level) / 20))
            take = render_take(notes, PATCHES[patch], how)
            try:
                tally.add(take, cut(take, sheet))
            except MeasurementError as error:
                print(f"  refused: {patch}, seed {seed}: {error}")
                tally.refused += 1
    return tally


def unplanned(patches: Sequence[str], seeds: Sequence[int], condition: str) -> Tally:
    tally = Tally()
    for patch in patches:
        for seed in seeds:
            sheet = random_sheet(patch, seed)
            take = render_take(sheet.notes, PATCHES[patch], conditions(seed)[condition])
            tally += matched_blindly(take)
    return tally


def matched_blindly(take: RenderedTake) -> Tally:
    heard = slice_unplanned(hear_take(ArrayTake(take.samples, take.rate_hz)))
    got = [note.onset_seconds for note in heard.sliced.notes]
    tally = Tally(takes=1, planned=len(take.notes))
    free = list(got)
    for note in take.notes:
        near = min(free, key=lambda one: abs(one - note.onset_seconds), default=math.inf)
        if abs(near - note.onset_seconds) < NEAR_SECONDS / 2:
            free.remove(near)
            tally.found += 1
            tally.onsets_ms.append(1000 * (near - note.onset_seconds))
    tally.invented = len(free)
    return tally


def names_row(tally: Tally) -> tuple[str, bool]:
    text = (
        f"{tally.found} of {tally.planned} notes found in {tally.takes} takes, "
        f"{tally.invented} invented, {tally.wrong} wrong names"
    )
    if tally.extras or tally.extras_invented:
        text += (
            f"; extra and doubled: {tally.extras_found} of {tally.extras} told, "
            f"{tally.extras_invented} invented"
        )
    lost = tally.planned - tally.found
    invented = tally.invented + tally.extras_invented
    return text, not (lost or invented or tally.wrong or tally.refused)


def onset_row(tally: Tally, median: float, most: float) -> tuple[str, bool]:
    """Hold onsets to a median, a 95th percentile, and to none later than 0.5 ms."""
    errors = np.array(tally.onsets_ms)
    size = np.abs(errors)
    late = float(np.mean(errors > 0.5))
    text = (
        f"median {np.median(size):.2f} ms, 95 % {np.percentile(size, 95):.2f} ms, "
        f"later than 0.5 ms: {100 * late:.1f} % (n = {len(errors)})"
    )
    good = float(np.median(size)) <= median and float(np.percentile(size, 95)) <= most
    return text, good and late == 0


def line_row(tally: Tally) -> tuple[str, bool]:
    latency, drift = np.abs(tally.latency_ms).max(), np.abs(tally.drift_ppm).max()
    text = f"worst latency error {latency:.2f} ms, worst drift error {drift:.2f} ppm"
    return f"{text} in {tally.takes} takes", bool(latency <= 0.5 and drift <= 5)


def blind_row(tally: Tally) -> tuple[str, bool]:
    found, invented = tally.found / tally.planned, tally.invented / tally.planned
    text = (
        f"{100 * found:.2f} % of {tally.planned} found, {100 * invented:.2f} % invented, "
        f"onset median {np.median(np.abs(tally.onsets_ms)):.2f} ms"
    )
    return text, found >= 0.99 and invented <= 0.01


def rows(seeds: Sequence[int]) -> Iterator[tuple[str, str, tuple[str, bool]]]:
    """Yield (what, target, (figures, passed))."""
    whole = "all, 0, 0"
    for condition in ("clean", "latency, drift", "and noise, hum"):
        sharp, soft = planned(SHARP, seeds, condition), planned(SOFT, seeds, condition)
        pads, clicked = planned(PADS, seeds, condition), planned(CLICKED, seeds, condition)
        curved = planned(CURVED, seeds, condition)
        yield f"planned, {condition}", whole, names_row(sharp + soft + pads + clicked + curved)
        yield "  onsets, sharp attacks", "<= 1, 95 % <= 3 ms", onset_row(sharp, 1.0, 3.0)
        yield "  onsets, 30-60 ms attacks", "(no target)", (onset_row(soft, 99, 99)[0], True)
        yield "  onsets, pads of 2 s", "95 % <= 10 ms", onset_row(pads, 10.0, 10.0)
        yield "  onsets, pads that rise cubed", "95 % <= 10 ms", onset_row(curved, 10.0, 10.0)
        yield "  onsets, pads with a click", "<= 1, 95 % <= 3 ms", onset_row(clicked, 1.0, 3.0)
    names, _ = names_row(told := accidents((*SHARP, *SOFT), seeds))
    lost = told.planned - told.found
    good = not (lost or told.invented or told.wrong or told.refused)
    yield "planned, with accidents", whole, (names, good)
    yield "notes 6 dB above the noise", whole, names_row(soft := soft_notes(seeds))
    yield "  onsets", "(no target)", (onset_row(soft, 99, 99)[0], True)
    yield "ten minutes, sharp", "0.5 ms, 5 ppm", line_row(ten_minutes(SHARP, [*seeds, *seeds]))
    yield "ten minutes, slow pads", "0.5 ms, 5 ppm", line_row(ten_minutes(SLOW, seeds))
    for condition in ("clean", "and noise, hum"):
        blind = unplanned((*SHARP, *SOFT, *SLOW), seeds, condition)
        target = ">= 99 %, <= 1 %" if condition == "clean" else "(no target)"
        text, good = blind_row(blind)
        yield f"unplanned, {condition}", target, (text, good or condition != "clean")


def other_rows() -> Iterator[tuple[str, str, tuple[str, bool]]]:
    """Yield the rows of the independent synth."""
    for name, program in PROGRAMS.items():
        tally, blind = Tally(), Tally()
        for how in (
            Recording(latency_seconds=0.0, noise_dbfs=None),
            Recording(latency_seconds=1.37, drift_ppm=230.0, noise_dbfs=-70.0),
        ):
            sheet, take = played_by_another_synth(program, how)
            tally.add(take, cut(take, sheet))
            blind += matched_blindly(take)
        yield f"other synth, {name}", "all, 0, 0", names_row(tally)
        limit = (10.0, 10.0) if program.slow else (1.0, 3.0)
        yield (
            "  onsets",
            "<= 10 ms" if program.slow else "<= 1, 95 % <= 3 ms",
            onset_row(tally, *limit),
        )
        yield "  unplanned", ">= 99 %, <= 1 %", blind_row(blind)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, nargs="+", default=[101, 102])
    parser.add_argument("--no-synth", action="store_true")
    options = parser.parse_args()
    passed = True
    for what, target, (figures, good) in rows(options.seeds):
        print(f"{what:28s} target {target:20s} {figures}  {'pass' if good else 'FAIL'}", flush=True)
        passed &= good
    if options.no_synth or not synth_is_there():
        print("other synth: skipped (needs fluidsynth and a General MIDI sound font)")
        return 0 if passed else 1
    for what, target, (figures, good) in other_rows():
        print(f"{what:28s} target {target:20s} {figures}  {'pass' if good else 'FAIL'}", flush=True)
        passed &= good
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
