"""Notes without a plan and without a pitch, told apart by what they sound like."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
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
_FALL_DB, _OVER_NOISE_DB = 12.0, 6.0
_OTHER_OCTAVES = 1.5
"""Hits of one drum die away in times that differ by less; an open hat takes ten times as long."""
SURE_PITCH, _LIKELY_PITCH = 0.9, 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Colour:
    """What tells the sounds of notes without a pitch apart."""

    shares: FloatArray
    """Of the amplitude in each band over the first 0.2 s; the sum is 1."""
    fall_seconds: float | None
    """How long it takes to fall by 12 dB; None where it does not, or noise hides it."""


def colour_of(heard: HeardTake, note: FoundNote) -> Colour:
    """Return what a note sounds like.

    Noise does not count; what does not stand out of it gives equal shares.
    """
    hop = heard.novelty.hop_seconds
    first = min(round(note.onset_seconds / hop), len(heard.course.bands_db) - 1)
    end = round(note.end_seconds / hop)
    bands_db = heard.course.bands_db[first : max(end, first + 1)].astype(np.float64)
    power = 10 ** (bands_db / 10)
    begins = power[: max(1, round(_HEARD_SECONDS / hop))].mean(axis=0) - heard.novelty.noise_power
    amplitude = np.sqrt(np.maximum(begins, 1e-12))
    falls = _falls_after(power.sum(axis=1), float(np.sum(heard.novelty.noise_power)))
    return Colour(
        shares=np.asarray(amplitude / amplitude.sum()),
        fall_seconds=None if falls is None else falls * hop,
    )


def _falls_after(power: FloatArray, noise: float) -> int | None:
    """Return after how many steps, at least one, a power has fallen by 12 dB for good."""
    loudest = int(np.argmax(power))
    limit = power[loudest] * 10 ** (-_FALL_DB / 10)
    over = np.flatnonzero(power > limit)
    if limit < noise * 10 ** (_OVER_NOISE_DB / 10) or over[-1] + 1 == len(power):
        return None
    return int(over[-1]) + 1 - loudest


def sounds_without_pitch(
    pitches: Sequence[HeardPitch | None], colours: Sequence[Colour]
) -> list[str | None]:
    """Return the name of its sound for each note that has no pitch, None for those that have one.

    They are "unpitched", or, where there are several sounds, "unpitched-a", "unpitched-b".
    Notes without a sure pitch that sound alike are hits of one drum where some of them have none
    and few a likely one: what is heard in the others is no key.
    """
    unsure = [i for i, one in enumerate(pitches) if one is None or one.confidence < SURE_PITCH]
    sounds = []
    for members in _alike(unsure, colours):
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


def _alike(notes: Sequence[int], colours: Sequence[Colour]) -> list[list[int]]:
    """Return groups of notes that sound alike, in order of their first ones (average linkage)."""
    from scipy.cluster.hierarchy import fcluster, linkage  # only takes without a plan need it

    if len(notes) < 2:
        return [list(notes)] if notes else []
    joined = linkage(_distances([colours[i] for i in notes]), "average")
    groups: dict[int, list[int]] = {}
    for note, group in zip(notes, fcluster(joined, 1.0, "distance"), strict=True):
        groups.setdefault(int(group), []).append(note)
    return list(groups.values())


def _distances(colours: Sequence[Colour]) -> FloatArray:
    """Return how differently any two notes sound, 1 where they are hardly the same drum.

    Pair by pair, as SciPy condenses them.
    """
    from scipy.spatial.distance import pdist

    shares = pdist([one.shares / 2 for one in colours], "cityblock")
    falls = [math.nan if one.fall_seconds is None else one.fall_seconds for one in colours]
    octaves = pdist(np.log2(falls)[:, np.newaxis])
    return np.asarray(np.maximum(shares / _OTHER_SHARE, np.nan_to_num(octaves) / _OTHER_OCTAVES))
