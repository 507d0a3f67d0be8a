"""Short phrases that suit an instrument's kind, by rules of our own.

All phrases are in natural minor around a tonic near the middle of the keys that are mapped, in
steps of the scale, so that the same instrument always gets the same phrase and every phrase lies
within the keys.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from keymapper.model.pack import InstrumentFacts, PhraseKind

_MINOR = (0, 2, 3, 5, 7, 8, 10)
_PROGRESSION = (0, 5, 2, 6)
"""Steps of the scale that the chords stand on."""
_BASS_TOP_KEY = 48
_LAST_HIT_SECONDS = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PhraseNote:
    """One note of a phrase."""

    on_seconds: float
    off_seconds: float
    key: int
    velocity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrase:
    """What is played."""

    kind: str
    notes: tuple[PhraseNote, ...]


def phrase_kind(facts: InstrumentFacts) -> PhraseKind:
    """Return what suits an instrument.

    One-shots get hits; what lies low a bass line; what does not sustain a plucked pattern; a mono
    sound that sustains a melody, a wide one chords.
    """
    if facts.one_shots:
        return "hits"
    if (facts.low_key + facts.high_key) / 2 < _BASS_TOP_KEY:
        return "bass"
    if not facts.looped:
        return "pluck"
    return "melody" if facts.channels == (1,) else "chords"


def composed_phrase(kind: PhraseKind, keys: Sequence[int]) -> Phrase:
    """Return the phrase of a kind on the keys that sound, in rising order; at least one."""
    makers = {
        "chords": _chords,
        "bass": _bass,
        "melody": _melody,
        "pluck": _pluck,
        "hits": _hits,
    }
    notes = makers[kind](keys)
    return Phrase(kind=kind, notes=tuple(sorted(notes, key=lambda one: (one.on_seconds, one.key))))


def _scale_key(tonic: int, step: int) -> int:
    octave, degree = divmod(step, len(_MINOR))
    return tonic + 12 * octave + _MINOR[degree]


def _tonic(keys: Sequence[int], below_middle: int) -> int:
    """Return the A nearest to some semitones below the middle of the keys."""
    wanted = (keys[0] + keys[-1]) / 2 - below_middle
    return min((key for key in range(9, 128, 12)), key=lambda key: abs(key - wanted))


def _within(key: int, keys: Sequence[int]) -> int:
    """Return a key moved by octaves until it is mapped, else the nearest that is."""
    mapped = set(keys)
    octaves = [key + 12 * shift for shift in (0, 1, -1, 2, -2, 3, -3, 4, -4)]
    found = next((one for one in octaves if one in mapped), None)
    return found if found is not None else min(keys, key=lambda one: (abs(one - key), one))


def _note(keys: Sequence[int], key: int, on: float, seconds: float, velocity: int) -> PhraseNote:
    return PhraseNote(
        on_seconds=on, off_seconds=on + seconds, key=_within(key, keys), velocity=velocity
    )


def _chords(keys: Sequence[int]) -> list[PhraseNote]:
    """Return four chords, voiced as closely as possible to the one before, rising in strength."""
    tonic = _tonic(keys, 4)
    notes = []
    middle = _scale_key(tonic, 2)
    for number, root in enumerate(_PROGRESSION):
        tones = [_scale_key(tonic, root + third) for third in (0, 2, 4)]
        close = {min(range(t % 12, 128, 12), key=lambda k: abs(k - middle)) for t in tones}
        chord = {_within(key, keys) for key in (*close, tones[0] - 12)}
        velocity = (76, 88, 100, 92)[number]
        length = 2.4 if number < 3 else 3.4
        notes += [_note(keys, key, 2.5 * number, length, velocity) for key in sorted(chord)]
    return notes


def _bass(keys: Sequence[int]) -> list[PhraseNote]:
    """Return eighth notes on the roots, an octave and a fifth now and then."""
    tonic = _tonic(keys, 0)
    notes = []
    step = 0.28
    pattern = ((0, 108), (0, 72), (None, 0), (0, 96), (7, 84), (0, 72), (4, 100), (4, 76))
    for bar, root in enumerate(_PROGRESSION):
        for place, (interval, velocity) in enumerate(pattern):
            if interval is not None:
                key = _scale_key(tonic, root + interval)
                on = (8 * bar + place) * step
                notes.append(_note(keys, key, on, 0.8 * step, velocity))
    notes.append(_note(keys, tonic, 32 * step, 1.6, 112))
    return notes


def _melody(keys: Sequence[int]) -> list[PhraseNote]:
    """Return a line that climbs, leaps, and falls back to the tonic in steps."""
    tonic = _tonic(keys, 0)
    line = (
        (0, 1.0, 84), (2, 0.5, 90), (4, 0.5, 96), (7, 1.5, 108), (6, 0.5, 92), (4, 1.0, 88),
        (5, 0.5, 84), (4, 0.5, 80), (3, 0.5, 84), (2, 0.5, 88), (4, 1.5, 100), (1, 0.5, 84),
        (0, 2.0, 96),
    )  # fmt: skip
    notes, now = [], 0.0
    for step, beats, velocity in line:
        seconds = 0.75 * beats
        notes.append(_note(keys, _scale_key(tonic, step), now, 0.95 * seconds, velocity))
        now += seconds
    return notes


def _pluck(keys: Sequence[int]) -> list[PhraseNote]:
    """Return broken chords up and down; every chord twice, so that round robins are heard."""
    tonic = _tonic(keys, 6)
    notes = []
    step = 0.16
    for number, root in enumerate(_PROGRESSION):
        for place, third in enumerate((0, 4, 7, 9, 11, 9, 7, 4) * 2):
            on = (16 * number + place) * step
            velocity = 104 if place % 8 == 0 else 74 + (5 * place) % 20
            notes.append(_note(keys, _scale_key(tonic, root + third), on, 1.5 * step, velocity))
    notes.append(_note(keys, tonic, 64 * step, 1.5, 108))
    return notes


def _hits(keys: Sequence[int]) -> list[PhraseNote]:
    """Return every hit once, then a beat of the first four, soft and loud."""
    step = min(0.5, _LAST_HIT_SECONDS / (2 * max(1, len(keys))))
    notes = [_note(keys, key, step * n, 0.9 * step, 100) for n, key in enumerate(keys)]
    start = step * len(keys)
    beat = (
        (0, 0, 112), (2, 2, 84), (1, 4, 108), (2, 6, 76), (0, 7, 88), (0, 8, 112), (2, 10, 84),
        (1, 12, 110), (3, 14, 96), (2, 15, 70),
    )  # fmt: skip
    for repeat in range(2):
        for which, place, velocity in beat:
            on = start + (16 * repeat + place) * 0.14
            notes.append(_note(keys, keys[which % len(keys)], on, 0.13, velocity))
    return notes
