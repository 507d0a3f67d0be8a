"""How far named keys agree with the sound: one shift for the whole set, found by majority."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from keymapper.mapping.names.hints import MeasuredHint

LEAST_CONFIDENCE = 0.5
CERTAIN_CONFIDENCE = 0.9
LEAST_SHARE = 0.5
AGREEMENT_SEMITONES = 0.6
_OCTAVE_SHIFTS = tuple(12 * octaves for octaves in (0, 1, -1, 2, -2, 3, -3))
_USUAL_SHIFTS = (0, 12)
"""Middle C is written C4, or C3."""
# A patch tuned to another interval than octaves has to be shown by more than a note or two.
_LEAST_NOTES_FOR_INTERVAL = 3
_LEAST_SHARE_FOR_INTERVAL = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """The shift (sounding - named) most notes agree on, and their share by confidence."""

    semitones: int
    share: float
    compared: int


def agreement(
    named: Sequence[int | None], measured: Sequence[MeasuredHint | None], *, octaves_only: bool
) -> Agreement | None:
    """Return the shift most notes agree on, octaves before other intervals, the nearest first.

    Returns None when no file has both a named key and a pitch of some confidence. Names that are
    octaves off, but for the two ways in which middle C is written, have to be surely heard to be.
    """
    votes = _without_unsure_octaves(list(_votes(named, measured)))
    if not votes:
        return None
    best = _best_of(votes, _OCTAVE_SHIFTS)
    if octaves_only or len(votes) < _LEAST_NOTES_FOR_INTERVAL:
        return best
    intervals = sorted({round(difference) for _, difference, _ in votes}, key=abs)
    other = _best_of(votes, intervals)
    keys = {
        key
        for key, difference, _ in votes
        if abs(difference - other.semitones) <= AGREEMENT_SEMITONES
    }
    is_shown = other.share >= _LEAST_SHARE_FOR_INTERVAL and len(keys) >= _LEAST_NOTES_FOR_INTERVAL
    return other if is_shown and other.share > best.share else best


def _without_unsure_octaves(
    votes: Sequence[tuple[int, float, float]],
) -> list[tuple[int, float, float]]:
    """Leave out votes for an unusual octave that no sound is sure of: a sound may be misheard."""
    sure = {round(off) for _, off, confidence in votes if confidence >= CERTAIN_CONFIDENCE}
    return [
        vote
        for vote in votes
        if round(vote[1]) % 12 or round(vote[1]) in sure or round(vote[1]) in _USUAL_SHIFTS
    ]


def _votes(
    named: Sequence[int | None], measured: Sequence[MeasuredHint | None]
) -> Iterable[tuple[int, float, float]]:
    """Yield (named key, sounding - named, confidence) of the files that can be compared."""
    for key, hint in zip(named, measured, strict=True):
        if key is None or hint is None or hint.sounding_key is None:
            continue
        if hint.confidence >= LEAST_CONFIDENCE:
            yield key, hint.sounding_key - key, hint.confidence


def _best_of(votes: Sequence[tuple[int, float, float]], shifts: Iterable[int]) -> Agreement:
    total = sum(confidence for _, _, confidence in votes)
    shares = {
        shift: sum(
            confidence
            for _, difference, confidence in votes
            if abs(difference - shift) <= AGREEMENT_SEMITONES
        )
        / total
        for shift in shifts
    }
    shift = max(shares, key=lambda each: (round(shares[each], 9), -abs(each)))
    return Agreement(semitones=shift, share=shares[shift], compared=len(votes))


def is_believed(fit: Agreement | None, named: int) -> bool:
    """Return whether keys read for `named` files may be right: most agree with the sound.

    Where fewer than half of the files have a pitch, keys place sounds rather than name a pitch.
    """
    return fit is None or fit.share >= LEAST_SHARE or 2 * fit.compared < named
