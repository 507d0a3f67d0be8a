"""Compare what was heard with the limits; each passed limit is a finding."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from keymapper.model.finding import GRAVITY
from keymapper.model.keys import key_name
from keymapper.model.proof import (
    ONE_SHOT_REASON,
    STEADY_CENTS,
    Choke,
    HandOver,
    LevelStep,
    PlayedEnd,
    PlayedJoin,
    PlayedNote,
    ProofFinding,
    ProofLimits,
)
from keymapper.model.recipe import LayerSettings
from keymapper.proving.findings import note_finding, proof_finding, under_articulation, zone_text

WRONG_KEY_CENTS = 50.0
UNSTEADY_CENTS = 10.0
"""What moves by more, as a cloud of grains does, has no pitch that a single key would tell."""
RISE_SHARE = 0.1
"""Of the time a note takes to rise: so much later is not heard as late."""
LATEST_SECONDS = 0.012
SLOW_RISE_SHARE = 0.3
"""Of an instrument as a whole: later is late in itself, but for what a slow rise hides."""

_Recordings = tuple[tuple[str, ...], tuple[int, ...]]
"""What a note plays: the samples of its zones, and their root keys."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyGap:
    """Keys between mapped ones that start nothing."""

    first_key: int
    last_key: int
    articulation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """Everything a proof played and measured."""

    notes: tuple[PlayedNote, ...]
    hand_overs: tuple[HandOver, ...] = ()
    joins: tuple[PlayedJoin, ...] = ()
    ends: tuple[PlayedEnd, ...] = ()
    chokes: tuple[Choke, ...] = ()
    gaps: tuple[KeyGap, ...] = ()
    left_out: tuple[str, ...] = ()
    """The samples of the zones that nothing started, one a zone."""
    backwards: frozenset[str] = frozenset()
    """Samples played from their end: they begin with their tail, and are not late for it."""
    layers: tuple[LayerSettings, ...] = ()
    """Those that are meant to sound together, where that is known."""


def level_steps(notes: Sequence[PlayedNote]) -> tuple[LevelStep, ...]:
    """Return the steps of level between neighbouring keys that were played alike.

    Of round robins and random ranges the first one counts.
    """
    levels: dict[tuple[str, int, int], float] = {}
    for note in sorted(notes, key=lambda note: note.random_ratio):
        if (
            note.turn == 0
            and note.onset_seconds is not None
            and note.not_tuned_reason != ONE_SHOT_REASON
        ):
            levels.setdefault((note.articulation, note.velocity, note.key), note.level_dbfs)
    return tuple(
        LevelStep(
            key=key,
            velocity=velocity,
            step_db=levels[articulation, velocity, key + 1] - level,
            articulation=articulation,
        )
        for (articulation, velocity, key), level in sorted(levels.items())
        if (articulation, velocity, key + 1) in levels
    )


def findings_of(heard: Heard, limits: ProofLimits) -> tuple[ProofFinding, ...]:
    """Return every passed limit, the gravest and then the worst first."""
    sounding = [note for note in heard.notes if note.onset_seconds is not None]
    found = [
        *_silent(heard.notes, limits),
        *_doubled(sounding, heard.layers),
        *_out_of_tune(sounding, limits),
        *_late([note for note in sounding if not heard.backwards & {*note.samples}], limits),
        *_clicking(sounding, limits),
        *_between(heard, limits),
        *(proof_finding("proof-left-out", "", None, None, sample) for sample in heard.left_out),
    ]
    return tuple(sorted(found, key=_gravity))


def _gravity(finding: ProofFinding) -> tuple[int, str, float]:
    return -GRAVITY[finding.severity], finding.rule, -abs(finding.measured or 0.0)


def _silent(notes: Iterable[PlayedNote], limits: ProofLimits) -> Iterator[ProofFinding]:
    for note in notes:
        if note.onset_seconds is None:
            yield note_finding(note, "proof-silence", note.peak_dbfs, limits.silence_dbfs)


def _doubled(
    notes: Sequence[PlayedNote], layers: Sequence[LayerSettings]
) -> Iterator[ProofFinding]:
    """More voices than most notes have, or than layers are meant to sound there."""
    counts = Counter(round(note.zones_sounding) for note in notes)
    usual = max(counts, key=lambda count: (counts[count], -count), default=0)
    for note in notes:
        meant = sum(
            layer.keys[0] <= note.key <= layer.keys[1]
            and layer.velocities[0] <= note.velocity <= layer.velocities[1]
            for layer in layers
        )
        most = max(usual, meant)
        if note.zones_sounding > most + 0.5:
            yield note_finding(note, "proof-doubled", note.zones_sounding, most)


def _out_of_tune(notes: Sequence[PlayedNote], limits: ProofLimits) -> Iterator[ProofFinding]:
    tuned = [note for note in notes if note.tuning_cents is not None]
    octaves = Counter(note.octaves for note in tuned)
    usual = max(octaves, key=lambda octave: (octaves[octave], -abs(octave)), default=0)
    unsure = _of_unsure_pitch(notes)
    # Transposing moves no octave: where one key of a recording sounds right, another is misheard.
    right = unsure | {_recordings(note) for note in tuned if note.octaves == usual}
    wandering = _wandering(tuned)
    for note in tuned:
        if note.octaves != usual and _recordings(note) not in right:
            yield note_finding(note, "proof-octave", note.octaves, usual)
        beyond = min(_beyond(note), wandering.get(_recordings(note), math.inf))
        is_wrong_key = beyond > WRONG_KEY_CENTS
        is_rough = is_wrong_key or (note.tuning_error_cents or 0.0) > limits.tuning_cents
        if beyond > limits.tuning_cents and not (is_rough and _recordings(note) in unsure):
            rule = "proof-wrong-key" if is_wrong_key else "proof-tuning"
            yield note_finding(note, rule, note.tuning_cents or 0.0, limits.tuning_cents)


def _beyond(note: PlayedNote) -> float:
    """Return how many cents a note is off by more than its measurement and movement explain."""
    beyond = abs(note.tuning_cents or 0.0) - (note.tuning_error_cents or 0.0)
    return beyond - (note.movement_cents if note.movement_cents > STEADY_CENTS else 0.0)


def _wandering(tuned: Iterable[PlayedNote]) -> dict[_Recordings, float]:
    """Return how far recordings without a steady pitch are off, beyond what they move.

    Which of their grains outweigh the others differs from key to key: what is heard at a single
    key is not their tuning, the median of all keys is.
    """
    played: dict[_Recordings, list[PlayedNote]] = defaultdict(list)
    for note in tuned:
        played[_recordings(note)].append(note)
    found = {}
    for recordings, notes in played.items():
        moving = [note.movement_cents for note in notes if note.movement_cents > STEADY_CENTS]
        usual = median(moving) if 3 * len(moving) >= len(notes) else 0.0  # often not known
        if usual > UNSTEADY_CENTS:
            error = median(note.tuning_error_cents or 0.0 for note in notes)
            middle = median(note.tuning_cents or 0.0 for note in notes)
            found[recordings] = abs(middle) - error - usual
    return found


def _recordings(note: PlayedNote) -> _Recordings:
    return note.samples, note.root_keys


def _of_unsure_pitch(notes: Sequence[PlayedNote]) -> set[_Recordings]:
    """Return the recordings without a sure pitch at most keys; what is heard at others is none."""
    played = Counter(_recordings(note) for note in notes)
    judged = Counter(_recordings(note) for note in notes if note.tuning_cents is not None)
    return {one for one in played if 2 * judged[one] < played[one]}


def _late(notes: Sequence[PlayedNote], limits: ProofLimits) -> Iterator[ProofFinding]:
    if not notes:
        return
    usual = float(np.median([note.onset_seconds or 0.0 for note in notes]))
    for note in notes:
        late = (note.onset_seconds or 0.0) - usual
        if late - RISE_SHARE * note.rise_seconds > limits.onset_delay_seconds:
            yield note_finding(
                note, "proof-onset", late * 1000.0, limits.onset_delay_seconds * 1000.0
            )
    shares = [(note.onset_seconds or 0.0) - SLOW_RISE_SHARE * note.rise_seconds for note in notes]
    if float(np.median(shares)) > LATEST_SECONDS:
        yield proof_finding("proof-latency", "", usual * 1000.0, LATEST_SECONDS * 1000.0)


def _clicking(notes: Iterable[PlayedNote], limits: ProofLimits) -> Iterator[ProofFinding]:
    for note in notes:
        for rule, click_db in (
            ("proof-start-click", note.start_click_db),
            ("proof-release-click", note.release_click_db),
        ):
            if click_db is not None and click_db > limits.click_db:
                yield note_finding(note, rule, click_db, limits.click_db)


def _between(heard: Heard, limits: ProofLimits) -> Iterator[ProofFinding]:
    """Yield what lies between notes: gaps, steps, hand-overs, joins, ends, chokes."""
    for gap in heard.gaps:
        keys = f"{key_name(gap.first_key)} to {key_name(gap.last_key)}"
        count = gap.last_key - gap.first_key + 1
        yield proof_finding("proof-gap", under_articulation(keys, gap.articulation), count, None)
    for step in level_steps(heard.notes):
        if abs(step.step_db) > limits.neighbour_level_db:
            zone = zone_text(step.key, step.velocity, step.articulation)
            yield proof_finding("proof-level-step", zone, step.step_db, limits.neighbour_level_db)
    for border in heard.hand_overs:
        if abs(border.jump_db) > limits.hand_over_db:
            zone = zone_text(border.key, border.velocity, border.articulation)
            yield proof_finding("proof-hand-over", zone, border.jump_db, limits.hand_over_db)
    for join in heard.joins:
        worst = join.audibility.worst_db
        if worst > limits.join_db:
            yield proof_finding("proof-join", "", worst, limits.join_db, join.sample)
    for end in heard.ends:
        if end.click_db > limits.click_db:
            yield proof_finding("proof-end-click", "", end.click_db, limits.click_db, end.sample)
    for choke in heard.chokes:
        if choke.click_db > limits.click_db:
            keys = f"{key_name(choke.key)} cut by {key_name(choke.by_key)}"
            zone = under_articulation(keys, choke.articulation)
            yield proof_finding("proof-choke-click", zone, choke.click_db, limits.click_db)
