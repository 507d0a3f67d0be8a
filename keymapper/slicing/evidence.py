"""What speaks for one place of a take in its plan over another: pitch and level.

Where notes are planned at equal distances, the timing alone fits several places equally well.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from keymapper.model.session import PlannedNote
from keymapper.slicing.alignment import Alignment
from keymapper.slicing.course import FloatArray

_LEAST_CONFIDENCE = 0.5
_SAME_SHARE = 0.98
_TELLING_PITCHES, _TELLING_KEYS, _TELLING_SHARE = 6, 3, 0.8
_SCALE_KEYS, _IN_SEMITONES = 5, 0.6
_FEW_IN_SEMITONES = 0.85
"""Of any three pitches, one set in eight lies better in semitones; of any four, one in twenty."""
_ALIKE_SEMITONES, _ALIKE_SHARE = 0.6, 0.8
_ON_LINE_SEMITONES, _OUT_OF_TUNE_SEMITONES = 0.3, 0.1
"""From a line of pitches over keys; from the semitones to which synths are tuned."""
_EXACT_SECONDS = 0.012
_APART_SECONDS, _STEP_SECONDS, _FAR_SECONDS = 0.1, 0.005, 5.0
_CHANCE_SHARE = 0.3
_PLACES = 1e5
"""Latencies and drifts that are tried, in all."""
_ECHO_DB, _ECHO_SECONDS = 2.0, 1.2
"""An echo is softer than what it follows within so long by so much."""
_BY_CHANCE, _NEARLY_AS_GOOD = 1e-3, 0.6
NEARLY_ALL = 0.9
"""Of the planned notes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardPitch:
    """The pitch of a stretch of sound."""

    key: float
    """Fractional MIDI key."""
    confidence: float


PitchOf = Callable[[FloatArray, int], HeardPitch | None]
"""Measures the pitch of samples (frames, channels) at a rate in Hz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PitchAgreement:
    """How many of the notes whose pitch is sure have the planned key."""

    agreeing: int
    agreeing_but_octave: int
    """The same, an octave more or less forgiven."""
    sure: int
    distinct_keys: int
    """Different pitches among the sure ones."""
    planned_keys: int
    """Different keys of the notes compared, with a pitch or without."""
    shift: int
    """Semitones that the sounding pitch lies above the planned key, most often."""
    pitches: Mapping[int, tuple[float, ...]]
    """The sure ones of every planned key, as fractional keys."""

    @property
    def agreeing_keys(self) -> int:
        """Return how many planned keys sound at their pitch, all moved by the same shift."""
        usual = [float(np.median(some)) - key for key, some in self.pitches.items()]
        return sum(round(offset) == self.shift for offset in usual)

    @property
    def in_semitones(self) -> float:
        """Return how well the pitches lie in semitones, 0..1, whatever the tuning of them all.

        The length of the mean of their directions on a circle of one semitone, a value a key.
        """
        if not self.pitches:
            return 0.0
        turns = np.array([np.median(some) for some in self.pitches.values()])
        return float(abs(np.exp(2j * np.pi * turns).mean()))

    @property
    def is_constant(self) -> bool:
        """Return whether nearly always a key sounds as it did before, whatever its pitch.

        By the plan of another session, a key played several times has the pitches of several.
        """
        alike = [
            abs(pitch - float(np.median(some))) < _ALIKE_SEMITONES
            for some in self.pitches.values()
            if len(some) > 1
            for pitch in some
        ]
        return sum(alike) >= _ALIKE_SHARE * len(alike)

    @property
    def is_other_scale(self) -> bool:
        """Return whether the pitches are no semitones apart, as those of drums are not."""
        is_told = len(self.pitches) >= _SCALE_KEYS and self.in_semitones < _IN_SEMITONES
        return is_told and self.is_constant

    @property
    def is_half_scale(self) -> bool:
        """Return whether keys are half a semitone apart and out of tune, as drums often are.

        By another session, of keys half as far apart, the pitches would be in tune.
        """
        pitches = np.array([pitch for some in self.pitches.values() for pitch in some])
        keys = np.repeat(list(self.pitches), [len(some) for some in self.pitches.values()])
        if len(self.pitches) < _SCALE_KEYS:
            return False
        above = pitches - keys / 2
        on_line = np.abs(above - np.median(above)) < _ON_LINE_SEMITONES
        mistuning = float(np.median(np.abs(pitches - np.round(pitches))))
        return bool(on_line.mean() >= _ALIKE_SHARE and mistuning > _OUT_OF_TUNE_SEMITONES)

    @property
    def are_drums(self) -> bool:
        """Return whether few keys have a pitch, the same one each time, as among drums.

        Most have none, or the few that there are do not lie in semitones: too little by itself to
        say that the plan is the right one.
        """
        is_repeated = self.sure >= 2 * len(self.pitches)
        are_few = 2 * len(self.pitches) < self.planned_keys
        in_no_scale = len(self.pitches) < _SCALE_KEYS and self.in_semitones < _FEW_IN_SEMITONES
        return is_repeated and self.is_constant and (are_few or in_no_scale)

    @property
    def is_doubtful(self) -> bool:
        """Return whether too few notes sound as planned, though not so few as to refuse the plan.

        Of few keys, those of another session agree by chance.
        """
        return not self.is_constant or self.agreeing_but_octave < _TELLING_SHARE * self.sure

    @property
    def is_of_the_plan(self) -> bool:
        """Return whether hardly a pitch disagrees, however few there are."""
        few_disagree = self.agreeing >= _TELLING_SHARE * self.sure
        return few_disagree and self.agreeing_keys >= _TELLING_KEYS

    @property
    def is_telling(self) -> bool:
        """Return whether other notes would not have agreed so well."""
        return (
            self.sure >= _TELLING_PITCHES
            and self.distinct_keys >= _TELLING_KEYS
            and self.agreeing >= _TELLING_SHARE * self.sure
        )


def pitch_agreement(
    alignment: Alignment, notes: Sequence[PlannedNote], heard: Mapping[int, HeardPitch]
) -> PitchAgreement:
    """Compare the pitches heard (by onset index) with the keys an alignment gives them."""
    pitches: dict[int, tuple[float, ...]] = {}
    for note, onset in zip(alignment.notes, alignment.onsets, strict=True):
        pitch, key = heard.get(int(onset)), notes[int(note)].key
        if pitch is not None and pitch.confidence >= _LEAST_CONFIDENCE:
            pitches[key] = (*pitches.get(key, ()), pitch.key)
    shifts = [round(pitch - key) for key, some in pitches.items() for pitch in some]
    counts = {shift: shifts.count(shift) for shift in sorted(set(shifts))}
    shift = max(counts, key=lambda one: (counts[one], one % 12 == 0, -abs(one)), default=0)
    return PitchAgreement(
        agreeing=counts.get(shift, 0),
        agreeing_but_octave=sum((one - shift) % 12 == 0 for one in shifts),
        sure=len(shifts),
        distinct_keys=len({round(pitch) for some in pitches.values() for pitch in some}),
        planned_keys=len({notes[int(note)].key for note in alignment.notes}),
        shift=shift,
        pitches=pitches,
    )


def nearly_all_in_time(
    alignment: Alignment, plan_seconds: FloatArray, onset_seconds: FloatArray
) -> bool:
    """Say whether nearly all notes of a plan that a take has room for lie on onsets (rising)."""
    starts = _starts_inside(alignment, plan_seconds, onset_seconds)
    return len(starts) > 0 and _on_onsets(starts, onset_seconds) >= NEARLY_ALL * len(starts)


def is_beyond_chance(
    alignment: Alignment, plan_seconds: FloatArray, onset_seconds: FloatArray
) -> bool:
    """Say whether notes hardly lie on onsets (rising) by chance, however dense these are.

    How often they would is seen by moving the plan by less than the distance of its notes. No such
    place is to be nearly as good, as among echoes, and the number of places as good that is to be
    expected is to be small (A. Desolneux, L. Moisan, J.-M. Morel, "Meaningful alignments", 2000).
    """
    from scipy.special import bdtrc  # takes a while to load

    starts = _starts_inside(alignment, plan_seconds, onset_seconds)
    reach = float(np.diff(plan_seconds).min(initial=np.inf)) - _APART_SECONDS
    moves = np.arange(_APART_SECONDS, min(reach, _FAR_SECONDS), _STEP_SECONDS)
    if not len(starts) or not len(moves):
        return False
    moved = [_on_onsets(starts + move, onset_seconds) for move in (*moves, *-moves)]
    hits = _on_onsets(starts, onset_seconds)
    expected = _PLACES * bdtrc(hits - 1, len(starts), np.mean(moved) / len(starts))
    return bool(expected < _BY_CHANCE and max(moved) <= _NEARLY_AS_GOOD * hits)


def _starts_inside(
    alignment: Alignment, plan_seconds: FloatArray, onset_seconds: FloatArray
) -> FloatArray:
    """Return when notes begin by an alignment, from the start of the take to its last onset."""
    starts = alignment.take_seconds(plan_seconds)
    last = float(onset_seconds.max(initial=0.0)) + _EXACT_SECONDS
    return np.asarray(starts[(starts >= 0) & (starts <= last)])


def _on_onsets(starts: FloatArray, onset_seconds: FloatArray) -> int:
    """Return how many moments have an onset beside them."""
    first = np.searchsorted(onset_seconds, starts - _EXACT_SECONDS)
    end = np.searchsorted(onset_seconds, starts + _EXACT_SECONDS)
    return int((end > first).sum())


def no_echoes(alignments: Sequence[Alignment], loudness_db: FloatArray) -> tuple[Alignment, ...]:
    """Return the alignments, without those to softer onsets that follow the ones of another.

    loudness_db : the peak of every onset.
    """
    levels = [float(np.median(loudness_db[one.onsets.astype(int)])) for one in alignments]
    leveled = list(zip(alignments, levels, strict=True))
    return tuple(
        one
        for one, level in leveled
        if not any(
            other_level > level + _ECHO_DB
            and abs(one.latency_seconds - other.latency_seconds) < _ECHO_SECONDS
            and len(np.intersect1d(one.onsets, other.onsets)) < 0.5 * len(one.onsets)
            for other, other_level in leveled
        )
    )


def likeliest(
    alignments: Sequence[Alignment],
    notes: Sequence[PlannedNote],
    heard: Mapping[int, HeardPitch],
    loudness_db: FloatArray,
) -> tuple[Alignment, bool]:
    """Return the alignment that pitch, level and timing speak for, and whether that was a choice.

    heard : pitches by onset index; loudness_db : the peak of every onset. True as the second
    value says that another place is as good, and that the one nearest the start was taken.
    """
    best_weight = max(alignment.weight for alignment in alignments)
    scores = [
        alignment.weight / best_weight
        + 2 * _pitch_score(pitch_agreement(alignment, notes, heard))
        + 0.5 * _level_score(alignment, notes, loudness_db)
        for alignment in alignments
    ]
    best = max(scores)
    close = [
        a for a, score in zip(alignments, scores, strict=True) if score > best - (1 - _SAME_SHARE)
    ]
    chosen = min(close, key=lambda a: (a.latency_seconds < 0, abs(a.latency_seconds)))
    return chosen, len(close) > 1


def _pitch_score(agreement: PitchAgreement) -> float:
    """Return 0..1; octaves off are a patch's business and cost little, other shifts much.

    Sounds without the pitches of their keys agree here and there by chance, and oftener with some
    shift or other; that counts nothing. A key played again agrees again: keys are counted.
    """
    by_chance = _CHANCE_SHARE * len(agreement.pitches) + (1 if agreement.shift % 12 == 0 else 2)
    if agreement.agreeing_keys < by_chance:
        return 0.0
    worth = 1.0 if agreement.shift == 0 else 0.9 if agreement.shift % 12 == 0 else 0.5
    return worth * agreement.agreeing / agreement.sure


def _level_score(
    alignment: Alignment, notes: Sequence[PlannedNote], loudness_db: FloatArray
) -> float:
    """Return the correlation of planned velocity and heard level; 0 where one is constant."""
    velocities = np.array([notes[int(index)].velocity for index in alignment.notes], float)
    levels = loudness_db[alignment.onsets.astype(int)]
    if len(levels) < 3 or np.ptp(velocities) == 0 or np.ptp(levels) < 0.5:
        return 0.0
    return float(np.corrcoef(velocities, levels)[0, 1])
