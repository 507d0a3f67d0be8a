"""How long after key-down the notes of a take are usually heard, all of them told together.

Every note is heard so long after its key went down: as long as the others of its patch, but for
what its key adds (recorded waves begin after silences of their own) and for what the clock line is
off. A note under a tail or in noise is heard late by any amount, seldom early, so that those heard
soonest tell most. The fit is a regression with a random effect of the key (C. Henderson, 1975) and
skewed heavy-tailed errors, by iteratively reweighted least squares from several starts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from keymapper.slicing.course import FloatArray
from keymapper.slicing.timing import Asked, Timed

_ERRORS = {
    "clear": (0.0005, 0.0005, 1.0),
    "blurred": (0.001, 0.002, 1.0),
    "sudden": (0.002, 0.002, 1.0),
    "noise": (0.003, 0.006, 0.3),
    "tail": (0.003, 0.03, 0.4),
    "through tail": (0.001, 0.003, 0.5),
}
"""By how a note is heard: how early and how late it may be (seconds), and how much it counts:
tails are much alike, so that many of them make all notes late together."""
_OF_KEY_SECONDS, _LEAST_OF_KEY_SECONDS, _KEY_COUNTS = 0.003, 0.001, 1.5
"""What a key may add; so much as that counts as if some notes were off by it."""
_USUAL_DRIFT, _USUAL_MASKED_SECONDS = 300e-6, 0.03
_TELLING_DOUBT, _TELLING_SECONDS = 2.0, 0.005
"""By so many nepers less the notes must doubt another drift, and lie so near it, to be believed."""
_START_SHARES, _START_DRIFTS = (0.05, 0.2, 0.4), (-400e-6, 0.0, 400e-6)
"""From where fits start, which else would end at a worse one nearby."""
_SOONEST_SHARE = 0.25
_MOST_ROUNDS, _SETTLED_SECONDS = 40, 1e-6
_LEAST_ERROR_SECONDS = 0.0002

_Key = tuple[int, int | None, float]
"""Patch, key, and how long it is held: what swells is the louder for it, and so heard later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Delays:
    """How long after it is expected a note is usually heard."""

    by_patch: dict[int, float]
    by_key: dict[_Key, float]
    """What a key adds."""
    drift: float
    """What the clock line's drift is off, a ratio."""
    middle_seconds: float
    """Of the take, where that adds nothing."""
    masked_seconds: float
    """What every neper adds by which noise hides how a note begins, from the usual on."""
    usual_nepers: float

    def of(self, note: Timed) -> float:
        """Return the delay of a note of one of the patches, in seconds."""
        asked = note.asked
        drifted = self.drift * (asked.expected_seconds - self.middle_seconds)
        masked = self.masked_seconds * (note.masked_nepers - self.usual_nepers)
        of_key = self.by_key.get(_key_of(asked), 0.0)
        return self.by_patch[asked.patch] + drifted + masked + of_key


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Heard:
    """What is known of the notes: shape (notes,), but for columns: (notes, patches + 2)."""

    late: FloatArray
    """From when each is expected to when it is heard."""
    columns: FloatArray
    """Ones for the patch of each; how much more than usual it is masked; and its seconds from the
    middle of all."""
    keys: FloatArray
    """Indexes of keys."""
    key_count: int
    early_scale: FloatArray
    late_scale: FloatArray
    counts: FloatArray
    drift: float
    """Of the line by which they are expected."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fitted:
    doubt: float
    usual: FloatArray
    """Delays of the patches, of a neper of masking, and the drift."""
    of_keys: FloatArray


def delays_of(notes: Sequence[Timed], drift: float) -> Delays | None:
    """Return how long after key-down notes of some patches are heard; None where none is.

    drift : of the line by which they are expected, a ratio; some hundred ppm are usual at most.
    """
    timed = [note for note in notes if note.onset_seconds is not None]
    if not timed:
        return None
    patches = sorted({note.asked.patch for note in timed})
    keys = list(dict.fromkeys(_key_of(note.asked) for note in timed))
    expected = np.array([note.asked.expected_seconds for note in timed])
    middle = float(expected.mean())
    early, late, counts = np.array([_ERRORS[_how_heard(note)] for note in timed]).T
    nepers = np.array([note.masked_nepers for note in timed])
    usual_nepers = float(np.median(nepers))
    of_patch = np.array([[n.asked.patch == patch for patch in patches] for n in timed], float)
    heard = _Heard(
        late=np.array([note.onset_seconds for note in timed]) - expected,
        columns=np.column_stack([of_patch, nepers - usual_nepers, expected - middle]),
        keys=np.array([keys.index(_key_of(note.asked)) for note in timed]),
        key_count=len(keys),
        early_scale=early,
        late_scale=late,
        counts=counts,
        drift=drift,
    )
    best = _least_doubted(heard)
    if best.usual[-2] < 0:  # what noise hides is not heard the sooner for it
        best = _least_doubted(_without(heard, -2))
    return Delays(
        by_patch=dict(zip(patches, best.usual[:-2].tolist(), strict=True)),
        by_key=dict(zip(keys, best.of_keys.tolist(), strict=True)),
        drift=float(best.usual[-1]),
        middle_seconds=middle,
        masked_seconds=float(best.usual[-2]),
        usual_nepers=usual_nepers,
    )


def _key_of(asked: Asked) -> _Key:
    return asked.patch, asked.key, round(asked.off_seconds - asked.expected_seconds + 0.003, 2)


def _least_doubted(heard: _Heard) -> _Fitted:
    """Return the fit that notes doubt least; one by the drift so far, unless they clearly do."""
    by_drift_so_far = _best(replace(_without(heard, -1), drift=0.0), (0.0,))
    best = _best(heard, _START_DRIFTS)
    unusual = 0.5 * (heard.drift / _USUAL_DRIFT) ** 2
    is_told = best.doubt < by_drift_so_far.doubt + unusual - _TELLING_DOUBT
    off = float(np.median(np.abs(_rest(heard, best.usual, best.of_keys))))
    return best if is_told and off < _TELLING_SECONDS else by_drift_so_far


def _without(heard: _Heard, column: int) -> _Heard:
    columns = heard.columns.copy()
    columns[:, column] = 0.0
    return replace(heard, columns=columns)


def _best(heard: _Heard, drifts: Sequence[float]) -> _Fitted:
    starts = product(_START_SHARES, drifts, (False, True))
    fits = (_fitted(heard, _start(heard, *start)) for start in starts)
    return min(fits, key=lambda one: one.doubt)


def _how_heard(note: Timed) -> str:
    if note.case == "clear":
        return "blurred" if note.blurred else "clear"
    if note.case == "noise" and note.abrupt:
        return "sudden"
    if note.case == "noise":
        return "noise"
    return "through tail" if note.abrupt else "tail"


def _start(
    heard: _Heard, share: float, drift: float, by_key: bool
) -> tuple[FloatArray, FloatArray]:
    """Return usual delays by the share of notes heard sooner, for a drift, and what keys add.

    by_key : every key what it seems to add by itself, else none anything.
    """
    usual = np.zeros(heard.columns.shape[1])
    usual[-1] = drift - heard.drift
    late = heard.late - usual[-1] * heard.columns[:, -1]
    usual[:-2] = np.quantile(late, share)
    of_keys = np.zeros(heard.key_count)
    if by_key:
        rest = _rest(heard, usual, of_keys)
        of_each = (rest[heard.keys == key] for key in range(heard.key_count))
        of_keys = np.array([np.quantile(one, _SOONEST_SHARE) for one in of_each])
    return usual, of_keys


def _fitted(heard: _Heard, start: tuple[FloatArray, FloatArray]) -> _Fitted:
    usual, of_keys = start
    for _ in range(_MOST_ROUNDS):
        weights = _weights(heard, _rest(heard, usual, of_keys))
        before, (usual, of_keys) = usual, _least_squares(heard, weights, of_keys)
        if np.abs(usual - before).max() < _SETTLED_SECONDS:
            break
    return _Fitted(doubt=_doubt(heard, usual, of_keys), usual=usual, of_keys=of_keys)


def _doubt(heard: _Heard, usual: FloatArray, of_keys: FloatArray) -> float:
    """Return how much the notes, and what is usual, speak against a fit, in nepers."""
    rest = _rest(heard, usual, of_keys)
    scale = np.where(rest > 0, heard.late_scale, heard.early_scale)
    drift, masked = (
        (float(usual[-1]) + heard.drift) / _USUAL_DRIFT,
        float(usual[-2]) / _USUAL_MASKED_SECONDS,
    )
    return (
        float((heard.counts * np.log1p(np.abs(rest) / scale)).sum())
        + _KEY_COUNTS * float(np.log1p(np.abs(of_keys) / _OF_KEY_SECONDS).sum())
        + 0.5 * (drift**2 + masked**2)
    )


def _rest(heard: _Heard, usual: FloatArray, of_keys: FloatArray) -> FloatArray:
    return np.asarray(heard.late - heard.columns @ usual - of_keys[heard.keys])


def _weights(heard: _Heard, rest: FloatArray) -> FloatArray:
    """Return the weights by which least squares have the doubt's derivative."""
    scale, size = np.where(rest > 0, heard.late_scale, heard.early_scale), np.abs(rest)
    return np.asarray(heard.counts / ((scale + size) * np.maximum(size, _LEAST_ERROR_SECONDS)))


def _least_squares(
    heard: _Heard, weights: FloatArray, of_keys: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the usual delays and drift, and what keys add, that is eliminated on the way."""
    columns, weighed = heard.columns, weights[:, None] * heard.columns
    of_key = np.zeros((heard.key_count, columns.shape[1]))
    np.add.at(of_key, heard.keys, weighed)
    late = np.bincount(heard.keys, weights * heard.late, heard.key_count)
    size = np.abs(of_keys)
    known = _KEY_COUNTS / ((_OF_KEY_SECONDS + size) * np.maximum(size, _LEAST_OF_KEY_SECONDS))
    shrink = 1 / (np.bincount(heard.keys, weights, heard.key_count) + known)
    products = columns.T @ weighed - of_key.T @ (shrink[:, None] * of_key)
    target = weighed.T @ heard.late - of_key.T @ (shrink * late)
    products[-2, -2] += 1 / _USUAL_MASKED_SECONDS**2
    products[-1, -1] += 1 / _USUAL_DRIFT**2
    target[-1] -= heard.drift / _USUAL_DRIFT**2
    usual = np.linalg.solve(products, target)
    return usual, shrink * (late - of_key @ usual)
