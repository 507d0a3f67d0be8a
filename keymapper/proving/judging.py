"""Compare what was heard with the limits; each passed limit is a finding."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from keymapper.model.finding import GRAVITY, Severity
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

WRONG_KEY_CENTS = 50.0
RISE_SHARE = 0.1
"""Of the time a note takes to rise: so much later is not heard as late."""
LATEST_SECONDS = 0.012
SLOW_RISE_SHARE = 0.3
"""Of an instrument as a whole: later is late in itself, but for what a slow rise hides."""


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
        *(_finding("proof-left-out", "", None, None, sample) for sample in heard.left_out),
    ]
    return tuple(sorted(found, key=_gravity))


def _gravity(finding: ProofFinding) -> tuple[int, str, float]:
    return -GRAVITY[finding.severity], finding.rule, -abs(finding.measured or 0.0)


def zone_text(key: int, velocity: int | None = None, articulation: str = "") -> str:
    """Return where a note lies, for example "C#3 v100" or "C#3 v100 (switch C0)"."""
    place = key_name(key) if velocity is None else f"{key_name(key)} v{velocity}"
    return _under(place, articulation)


def _under(place: str, articulation: str) -> str:
    return f"{place} ({articulation})" if articulation else place


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    severity: Severity
    unit: str
    message: str
    fix: str


_RULES = {
    "proof-sample": _Rule(
        severity="error",
        unit="",
        message="cannot be played",
        fix="put the file where the SFZ looks for it, or correct the path",
    ),
    "proof-gap": _Rule(
        severity="warning",
        unit="keys",
        message="no zone lies on these keys, though on both sides",
        fix="stretch the zones beside the gap",
    ),
    "proof-silence": _Rule(
        severity="error",
        unit="dBFS",
        message="nothing sounds where the key range says something should",
        fix="map a zone to this key and velocity, or mend the sample",
    ),
    "proof-doubled": _Rule(
        severity="warning",
        unit="zones",
        message="more zones sound together than on the other notes",
        fix="make key and velocity ranges meet without overlapping",
    ),
    "proof-octave": _Rule(
        severity="error",
        unit="octaves",
        message="sounds in another octave of its key than the other notes",
        fix="correct the root key of the zone",
    ),
    "proof-wrong-key": _Rule(
        severity="error",
        unit="cents",
        message="is nearer to another key than to its own",
        fix="correct the root key of the zone",
    ),
    "proof-tuning": _Rule(
        severity="warning",
        unit="cents",
        message="is off the pitch of its key",
        fix="correct tune, or the pitch of the sample",
    ),
    "proof-onset": _Rule(
        severity="warning",
        unit="ms",
        message="sounds later after the key goes down than the other notes",
        fix="cut the silence before the sound",
    ),
    "proof-latency": _Rule(
        severity="warning",
        unit="ms",
        message="most notes sound late after the key goes down",
        fix="cut the silence before the sounds, or take the delay out",
    ),
    "proof-start-click": _Rule(
        severity="warning",
        unit="dB",
        message="starts with a click",
        fix="let the sample begin at silence",
    ),
    "proof-release-click": _Rule(
        severity="warning",
        unit="dB",
        message="clicks when the key is let go",
        fix="lengthen ampeg_release",
    ),
    "proof-end-click": _Rule(
        severity="warning",
        unit="dB",
        message="breaks off with a click before it has died away",
        fix="fade the sample's end out, or let it play on",
    ),
    "proof-choke-click": _Rule(
        severity="warning",
        unit="dB",
        message="clicks when another key cuts it off",
        fix="use off_mode=normal with a release of some 30 ms",
    ),
    "proof-level-step": _Rule(
        severity="warning",
        unit="dB",
        message="the next key is louder (+) or softer (-) by more than the limit",
        fix="even the levels of the two zones",
    ),
    "proof-hand-over": _Rule(
        severity="warning",
        unit="dB",
        message="the next velocity layer enters louder (+) or softer (-) than this one ends",
        fix="level the layers, or set amp_velcurve so that they meet",
    ),
    "proof-join": _Rule(
        severity="warning",
        unit="dB",
        message="the join of the loop can be heard",
        fix="find the loop again, or let the note decay",
    ),
    "proof-left-out": _Rule(
        severity="note",
        unit="",
        message="no key, velocity, key switch or controller value that was tried starts this zone",
        fix="listen to it by hand, or mend its conditions",
    ),
}


def sample_finding(sample: str, reason: str) -> ProofFinding:
    """Return the finding that a sample cannot be played."""
    finding = _finding("proof-sample", "", None, None, sample)
    return replace(finding, message=f"{finding.message}: {reason}")


def _finding(
    rule: str, zone: str, measured: float | None, limit: float | None, file: str = ""
) -> ProofFinding:
    about = _RULES[rule]
    return ProofFinding(
        rule=rule,
        severity=about.severity,
        file=file,
        zone=zone,
        measured=None if measured is None else round(measured, 3),
        limit=limit,
        unit=about.unit,
        message=about.message,
        fix=about.fix,
    )


def _about(note: PlayedNote, rule: str, measured: float, limit: float | None) -> ProofFinding:
    sample = note.samples[0] if note.samples else ""
    zone = zone_text(note.key, note.velocity, note.articulation)
    return _finding(rule, zone, measured, limit, sample)


def _silent(notes: Iterable[PlayedNote], limits: ProofLimits) -> Iterator[ProofFinding]:
    for note in notes:
        if note.onset_seconds is None:
            yield _about(note, "proof-silence", note.peak_dbfs, limits.silence_dbfs)


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
            yield _about(note, "proof-doubled", note.zones_sounding, most)


def _out_of_tune(notes: Sequence[PlayedNote], limits: ProofLimits) -> Iterator[ProofFinding]:
    tuned = [note for note in notes if note.tuning_cents is not None]
    octaves = Counter(note.octaves for note in tuned)
    usual = max(octaves, key=lambda octave: (octaves[octave], -abs(octave)), default=0)
    unsure = _of_unsure_pitch(notes)
    # Transposing moves no octave: where one key of a recording sounds right, another is misheard.
    right = unsure | {_recordings(note) for note in tuned if note.octaves == usual}
    for note in notes:
        if note.tuning_cents is None:
            continue
        if note.octaves != usual and _recordings(note) not in right:
            yield _about(note, "proof-octave", note.octaves, usual)
        beyond = abs(note.tuning_cents) - (note.tuning_error_cents or 0.0)
        if note.movement_cents > STEADY_CENTS:
            beyond -= note.movement_cents
        is_wrong_key = beyond > WRONG_KEY_CENTS
        if beyond > limits.tuning_cents and not (is_wrong_key and _recordings(note) in unsure):
            rule = "proof-wrong-key" if is_wrong_key else "proof-tuning"
            yield _about(note, rule, note.tuning_cents, limits.tuning_cents)


def _recordings(note: PlayedNote) -> tuple[tuple[str, ...], tuple[int, ...]]:
    return note.samples, note.root_keys


def _of_unsure_pitch(notes: Sequence[PlayedNote]) -> set[tuple[tuple[str, ...], tuple[int, ...]]]:
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
            yield _about(note, "proof-onset", late * 1000.0, limits.onset_delay_seconds * 1000.0)
    shares = [(note.onset_seconds or 0.0) - SLOW_RISE_SHARE * note.rise_seconds for note in notes]
    if float(np.median(shares)) > LATEST_SECONDS:
        yield _finding("proof-latency", "", usual * 1000.0, LATEST_SECONDS * 1000.0)


def _clicking(notes: Iterable[PlayedNote], limits: ProofLimits) -> Iterator[ProofFinding]:
    for note in notes:
        for rule, click_db in (
            ("proof-start-click", note.start_click_db),
            ("proof-release-click", note.release_click_db),
        ):
            if click_db is not None and click_db > limits.click_db:
                yield _about(note, rule, click_db, limits.click_db)


def _between(heard: Heard, limits: ProofLimits) -> Iterator[ProofFinding]:
    """Yield what lies between notes: gaps, steps, hand-overs, joins, ends, chokes."""
    for gap in heard.gaps:
        keys = f"{key_name(gap.first_key)} to {key_name(gap.last_key)}"
        count = gap.last_key - gap.first_key + 1
        yield _finding("proof-gap", _under(keys, gap.articulation), count, None)
    for step in level_steps(heard.notes):
        if abs(step.step_db) > limits.neighbour_level_db:
            zone = zone_text(step.key, step.velocity, step.articulation)
            yield _finding("proof-level-step", zone, step.step_db, limits.neighbour_level_db)
    for border in heard.hand_overs:
        if abs(border.jump_db) > limits.hand_over_db:
            zone = zone_text(border.key, border.velocity, border.articulation)
            yield _finding("proof-hand-over", zone, border.jump_db, limits.hand_over_db)
    for join in heard.joins:
        worst = join.audibility.worst_db
        if worst > limits.join_db:
            yield _finding("proof-join", "", worst, limits.join_db, join.sample)
    for end in heard.ends:
        if end.click_db > limits.click_db:
            yield _finding("proof-end-click", "", end.click_db, limits.click_db, end.sample)
    for choke in heard.chokes:
        if choke.click_db > limits.click_db:
            keys = f"{key_name(choke.key)} cut by {key_name(choke.by_key)}"
            zone = _under(keys, choke.articulation)
            yield _finding("proof-choke-click", zone, choke.click_db, limits.click_db)
