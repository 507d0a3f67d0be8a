"""What a budget costs in sound, against keeping every second and every fourth note.

    python tests/benchmarks/budget.py [-v]

For each set, at half and at a quarter of its size, the key that differs most from how it sounds
in full, in dB: in spectrum alone, and in all that the plan counts (spectrum, and speed by
transposition). What the plan does to the kept notes (loops, tails, rates, folding) counts against
it in both, and repeats left out in the second; the plain selection keeps its notes in full and
takes whatever size that is. Then the same with as many notes as the plain selection keeps,
chosen. Where a set is made by `tests/synth.py`, also the distance from what is really made at
every key, recorded or not.
Must be: lower in spectrum on the demo sets, lower in all that counts on every set.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from keymapper.exporting.audio import preparation, prepared
from keymapper.formats.audio_file import read_audio
from keymapper.mapping.budget import BudgetLimits, BudgetPlan, KeepableNote, budget_plan
from keymapper.mapping.budget.chains import SPEED_DB_PER_SEMITONE
from keymapper.mapping.budget.ways import FOLDING_WEIGHT
from keymapper.mapping.naming import named_set
from keymapper.mapping.placing import (
    Place,
    PlaceableNote,
    placed_as_one_shots,
    placed_on_keys,
)
from keymapper.measuring.centring import centred
from keymapper.measuring.loops import find_loop
from keymapper.measuring.note import measured_note
from keymapper.measuring.shortening import shapes
from keymapper.measuring.tone import tone
from keymapper.model.hearing import (
    difference_db,
    excitations,
    folding_loss_db,
    rate_loss_db,
)
from keymapper.model.instrument import Measurement
from keymapper.model.keys import key_to_hz
from keymapper.model.loop import LoopOptions
from keymapper.model.recipe import ZoneSettings
from keymapper.model.tone import Tone
from tests.synth import make_tone
from tests.tones import spectral_distance_db

SETS = Path(__file__).parents[2] / "sample_sets"
SYNTH_KINDS = ("saw", "fm_reed", "pluck", "organ", "fm_piano", "resonant", "drawbars")
"""Patches that keep their character over the keys when their seed stays the same."""
SYNTH_KEYS = range(33, 94, 3)
SYNTH_SEED = 71


@dataclass(frozen=True, slots=True, kw_only=True)
class Set:
    name: str
    keys: tuple[int, ...]
    notes: tuple[KeepableNote, ...]
    places: tuple[Place, ...]
    interchangeable: bool
    truths: dict[int, Tone]
    """What is really made at each key, where that is known."""


def keepable(samples: np.ndarray, rate: int, one_shot: bool) -> tuple[KeepableNote, Measurement]:
    measurement = measured_note(samples, rate)
    cut = preparation(measurement, rate, None, 0.0)
    note = prepared(samples, rate, cut)
    f0_hz = measurement.pitch.f0_hz
    options = LoopOptions(mode="none" if one_shot else "long")
    loop = find_loop(note, rate, f0_hz=f0_hz, options=options)
    colour = tone(centred(samples, rate), rate, measurement.course)
    kept = KeepableNote(
        tone=colour,
        rate=rate,
        channels=note.shape[1],
        shapes=shapes(note, rate, colour, loop, f0_hz),
    )
    return kept, measurement


def demo_set(folder: Path) -> Set:
    one_shot = folder.name == "dock-hits"
    files = sorted(path.name for path in folder.iterdir())
    audio = [read_audio(folder / file) for file in files]
    both = [keepable(one.samples, one.info.rate, one_shot) for one in audio]
    notes, measurements = [b[0] for b in both], [b[1] for b in both]
    hints = named_set(files, measurements, "one-shots" if one_shot else "keys").hints
    keys = [
        (h.key if one_shot else m.pitch.root_key) or 0
        for h, m in zip(hints, measurements, strict=True)
    ]
    placed = placed_as_one_shots if one_shot else placed_on_keys
    places = placed(
        [
            PlaceableNote(
                root_key=key,
                velocity=hint.velocity,
                round_robin=hint.round_robin,
                is_release=False,
                level_db=measurement.levels.body_dbfs,
            )
            for key, hint, measurement in zip(keys, hints, measurements, strict=True)
        ],
        ZoneSettings(),
    )
    return Set(
        name=folder.name,
        keys=tuple(keys),
        notes=tuple(notes),
        places=places,
        interchangeable=not one_shot,
        truths={},
    )


def synth_set(kind: str) -> Set:
    made = {}
    for key in range(SYNTH_KEYS[0] - 3, SYNTH_KEYS[-1] + 4):
        sound = make_tone(kind, key_to_hz(key), seconds=2.5, seed=SYNTH_SEED)
        made[key] = keepable(sound.samples.astype(np.float32), 48_000, False)[0]
    keys = tuple(SYNTH_KEYS)
    places = placed_on_keys(
        [
            PlaceableNote(root_key=k, velocity=100, round_robin=1, is_release=False, level_db=-20)
            for k in keys
        ],
        ZoneSettings(reach_below=3, reach_above=3),
    )
    return Set(
        name=f"synth {kind}",
        keys=keys,
        notes=tuple(made[key] for key in keys),
        places=places,
        interchangeable=True,
        truths={key: note.tone for key, note in made.items()},
    )


def playing(places: Sequence[Place], key: int, velocity: int) -> Place:
    """First turn at a key and velocity."""
    return next(
        p
        for p in places
        if p.low_key <= key <= p.high_key and p.low_velocity <= velocity <= p.high_velocity
    )


Loss = Callable[[int], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Worst:
    spectrum_db: float
    all_db: float


def worst(one: Set, places: Sequence[Place], loss_db: Loss, truths: dict[int, Tone]) -> Worst:
    """Worst key of any layer, from the instrument in full, or from the truth where it is given."""
    spectrum = everything = 0.0
    for low_velocity in sorted({p.low_velocity for p in one.places}):
        layer = [p for p in one.places if p.low_velocity == low_velocity]
        for key in range(min(p.low_key for p in layer), max(p.high_key for p in layer) + 1):
            if not any(p.low_key <= key <= p.high_key for p in layer):
                continue
            full, now = playing(layer, key, low_velocity), playing(places, key, low_velocity)
            moved = key - one.keys[now.note]
            if truths:
                colour, speed = (
                    spectral_distance_db(one.notes[now.note].tone, truths[key], moved),
                    0,
                )
            else:
                in_full = key - one.keys[full.note]
                a = excitations([one.notes[now.note].tone], np.array([moved]))
                b = excitations([one.notes[full.note].tone], np.array([in_full]))
                colour, speed = float(difference_db(a, b)[0, 0]), moved - in_full
            loss = loss_db(now.note)
            spectrum = max(spectrum, math.hypot(colour, loss))
            everything = max(everything, math.hypot(colour, loss, SPEED_DB_PER_SEMITONE * speed))
    return Worst(spectrum_db=spectrum, all_db=everything)


def every(one: Set, step: int) -> list[Place]:
    """Keep every so many roots, from the lowest; the nearest kept one plays each key."""
    kept: list[Place] = []
    for low_velocity in sorted({p.low_velocity for p in one.places}):
        layer = [p for p in one.places if p.low_velocity == low_velocity]
        roots = sorted({one.keys[p.note] for p in layer})[::step]
        low = min(p.low_key for p in layer)
        high = max(p.high_key for p in layer)
        for index, root in enumerate(roots):
            top = high if index + 1 == len(roots) else (root + roots[index + 1]) // 2
            kept += [
                Place(
                    note=p.note,
                    low_key=low,
                    high_key=top,
                    low_velocity=p.low_velocity,
                    high_velocity=p.high_velocity,
                    round_robin=p.round_robin,
                    round_robins=p.round_robins,
                    trigger=p.trigger,
                )
                for p in layer
                if one.keys[p.note] == root
            ]
            low = top + 1
    return kept


def plan_loss(one: Set, plan: BudgetPlan) -> Loss:
    losses = {}
    for way in plan.treatments:
        note = one.notes[way.note]
        folding = FOLDING_WEIGHT * folding_loss_db(note.tone) if plan.folded else 0.0
        rate = rate_loss_db(note.tone, way.rate) if way.rate < note.rate else 0.0
        losses[way.note] = math.hypot(note.shapes[way.shape].loss_db, rate, folding)
    return losses.__getitem__


def nothing(note: int) -> float:
    return 0.0


def compare(one: Set, step: int, full_bytes: int) -> bool:
    plain = every(one, step)
    plain_notes = len({p.note for p in plain})
    limits = BudgetLimits(interchangeable=one.interchangeable)
    before = time.process_time()
    sized = replace(limits, most_bytes=full_bytes // step)
    plan = budget_plan(one.places, one.keys, one.notes, sized)
    took = time.process_time() - before
    loss = plan_loss(one, plan)
    ours, theirs = worst(one, plan.places, loss, {}), worst(one, plain, nothing, {})
    all_db = max(ours.all_db, plan.worst_db)
    ok = all_db < theirs.all_db and plan.size_bytes <= full_bytes // step
    ok = ok and (bool(one.truths) or ours.spectrum_db < theirs.spectrum_db)
    line = (
        f"{one.name:14} 1/{step} of {full_bytes / 1e6:4.1f} MB  {ours.spectrum_db:5.2f} "
        f"{all_db:5.2f} ({len(plan.treatments):2} notes, {plan.size_bytes / 1e6:4.2f} MB)   "
        f"every {step}: {theirs.spectrum_db:5.2f} {theirs.all_db:5.2f} ({plain_notes:2} notes)"
    )
    if one.interchangeable:
        few = replace(limits, most_notes=plain_notes)
        chosen = worst(one, budget_plan(one.places, one.keys, one.notes, few).places, nothing, {})
        line += f"   as many, chosen: {chosen.spectrum_db:5.2f} {chosen.all_db:5.2f}"
        ok = ok and chosen.all_db <= theirs.all_db + 1e-6
    if one.truths:
        mine = worst(one, plan.places, loss, one.truths).spectrum_db
        line += f"   truth: {mine:4.2f} / {worst(one, plain, nothing, one.truths).spectrum_db:4.2f}"
    print(f"{'pass' if ok else 'FAIL'}  {line}   {took:.2f} s")
    if "-v" in sys.argv:
        print("".join(f"        {text}\n" for text in plan.given_up_of[0]), end="")
    return ok


def main() -> None:
    passed = True
    for name in ("harbour-pad", "quay-bass", "rope-pluck", "dock-hits", *SYNTH_KINDS):
        one = synth_set(name) if name in SYNTH_KINDS else demo_set(SETS / name)
        full = budget_plan(one.places, one.keys, one.notes, BudgetLimits()).full_bytes
        for step in (2, 4):
            passed = compare(one, step, full) and passed
    sys.exit(0 if passed else 1)


if __name__ == "__main__":
    main()
