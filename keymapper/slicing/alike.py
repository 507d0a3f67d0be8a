"""Notes without a plan and without a pitch, told apart by what they sound like."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from string import ascii_lowercase

import numpy as np

from keymapper.slicing.course import FloatArray
from keymapper.slicing.evidence import HeardPitch
from keymapper.slicing.found import FoundNote
from keymapper.slicing.hearing import HeardTake

_UNPITCHED = "unpitched"
_HEARD_SECONDS = 0.2
_OTHER_SHARE = 0.3
"""Hits of one drum differ by less of their amplitude, soft or hard; those of two by about half."""
SURE_PITCH, _LIKELY_PITCH = 0.9, 0.5


def tone_of(heard: HeardTake, note: FoundNote) -> FloatArray:
    """Return the share of the amplitude in each band over the first 0.2 s of a note; the sum is 1.

    Noise does not count; what does not stand out of it gives equal shares.
    """
    hop = heard.novelty.hop_seconds
    first = round(note.onset_seconds / hop)
    end = round(min(note.end_seconds, note.onset_seconds + _HEARD_SECONDS) / hop)
    bands_db = heard.course.bands_db[first : max(end, first + 1)].astype(np.float64)
    power = (10 ** (bands_db / 10)).mean(axis=0) - heard.novelty.noise_power
    amplitude = np.sqrt(np.maximum(power, 1e-12))
    return np.asarray(amplitude / amplitude.sum())


def sounds_without_pitch(
    pitches: Sequence[HeardPitch | None], tones: Sequence[FloatArray]
) -> list[str | None]:
    """Return the name of its sound for each note that has no pitch, None for those that have one.

    They are "unpitched", or, where there are several sounds, "unpitched-a", "unpitched-b".
    Notes without a sure pitch that sound alike are hits of one drum where some of them have none
    and few a likely one: what is heard in the others is no key.
    """
    unsure = [i for i, one in enumerate(pitches) if one is None or one.confidence < SURE_PITCH]
    sounds = []
    for members in _alike(unsure, tones):
        without = [i for i in members if pitches[i] is None]
        likely = [i for i in members if _is_likely(pitches[i])]
        if without:
            sounds.append(members if 2 * len(likely) < len(members) else without)
    names = _names(len(sounds))
    name_of = {note: name for name, sound in zip(names, sounds, strict=False) for note in sound}
    return [name_of.get(index) for index in range(len(pitches))]


def _names(count: int) -> Iterator[str]:
    if count == 1:
        yield _UNPITCHED
    for letters in itertools.product(("", *ascii_lowercase), ascii_lowercase):
        yield f"{_UNPITCHED}-{''.join(letters)}"


def _is_likely(pitch: HeardPitch | None) -> bool:
    return pitch is not None and pitch.confidence >= _LIKELY_PITCH


def _alike(notes: Sequence[int], tones: Sequence[FloatArray]) -> list[list[int]]:
    """Return groups of notes that sound alike, in order of their first ones (average linkage)."""
    from scipy.cluster.hierarchy import fcluster, linkage  # only takes without a plan need it

    if len(notes) < 2:
        return [list(notes)] if notes else []
    distances = linkage([tones[i] / 2 for i in notes], "average", metric="cityblock")
    groups: dict[int, list[int]] = {}
    for note, group in zip(notes, fcluster(distances, _OTHER_SHARE, "distance"), strict=True):
        groups.setdefault(int(group), []).append(note)
    return list(groups.values())
