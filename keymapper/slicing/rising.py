"""How likely it is that a note rose by a power of the time, from a moment on.

What a note holds tells how much its partials change of themselves: beats, and what comes of single
partials that are taken for one. A note that is faded in by the right power, from the right moment
on, bends no more than that; a wrong power or moment has to bend every partial alike. The marginal
likelihood (D. MacKay, Bayesian Interpolation, 1992) weighs that against what is left unexplained.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from keymapper.slicing.beginning import ROUGH_HZ, Beginning, coarse_note
from keymapper.slicing.course import FloatArray
from keymapper.slicing.growth import ground_of, held_powers
from keymapper.slicing.moments import heard_from, power_of

_LEAST_EXPECTED = 1e-8
"""Of the strength of all partials: what any of them may be expected to have."""
_NEVER_BETTER = 1e-5
"""Of the power of a note: no note is faded in so exactly that less would be left unexplained."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """A power of the time since key-down by which a note is faded in."""

    power: int
    bend: float = 0.0
    """Of its strength, what each partial has besides of the next power (see `GROWN_SECONDS`)."""
    bend_spread: float = 0.0
    """How far that may be off."""

    @property
    def way(self) -> Sequence[int]:
        """Return the two powers by which its partials grow: of itself, each changes in time."""
        return (self.power, self.power + 1)


def likelihoods(
    beginning: Beginning, key_downs: FloatArray, rises: Sequence[Rise], until_seconds: float
) -> FloatArray | None:
    """Return how likely a note rose in each way from each moment on, shape (rises, moments).

    As logarithms, but for what is the same for all. The noise is what the best of them leaves.
    key_downs : seconds from the expected moment, rising. until_seconds : how far the note is
    followed. None where its hold has no partials.
    """
    note = coarse_note(beginning, ROUGH_HZ)
    if note is None:
        return None
    ground = ground_of(note, min(until_seconds, beginning.seen_seconds))
    held = held_powers(note, float(ground.seconds[-1]))[:2]
    ways = sorted({tuple(rise.way) for rise in rises})
    heard = heard_from(ground, key_downs, ways)
    explained = max(power_of(*products) for every in heard for products in every)
    left = float((ground.samples**2).sum() - (ground.tail_heard**2).sum()) - explained
    noise_power = max(left, _NEVER_BETTER * explained) / ground.samples.size + 1e-20
    return np.array(
        [
            [
                _likelihood(*every[ways.index(tuple(rise.way))], rise, held, noise_power)
                for every in heard
            ]
            for rise in rises
        ]
    )


def _likelihood(
    precision: FloatArray, heard: FloatArray, rise: Rise, held: FloatArray, noise_power: float
) -> float:
    """Return the logarithm of a marginal likelihood, over that of no note.

    held : mean squares of what the hold's partials are, and of how they change.
    """
    waves, channels = len(heard) // 2, heard.shape[1]
    plain = linalg.solve(precision[:waves, :waves], heard[:waves], assume_a="pos")
    level = float((plain**2).sum()) / (2 * channels * float(held[0].sum()))
    bent = np.array([[0.0], [rise.bend_spread**2]]) * held[0]
    expected = level * np.maximum(held + bent, _LEAST_EXPECTED * held[0].sum())
    prior = noise_power / np.stack([expected, expected], axis=1).ravel()
    plainly, besides = np.diag(prior[:waves]), np.diag(prior[waves:])
    aside = -rise.bend * besides
    known = np.block([[plainly - rise.bend * aside, aside], [aside, besides]])
    root = linalg.cholesky(precision + known, lower=True)
    explained = linalg.solve_triangular(root, heard, lower=True)
    volume = 2 * float(np.log(np.diagonal(root)).sum()) - float(np.log(prior).sum())
    return 0.5 * (float((explained**2).sum()) / noise_power - channels * volume)
