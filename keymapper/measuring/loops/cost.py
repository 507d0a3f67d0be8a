"""One cost for a loop candidate; the weights were found on notes of our own making."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops.traits import Traits

JUST_HEARD_REPETITION_DB = 0.6
#: Swing that is no more than so much of what the inside of a loop swings anyway costs nothing.
USUAL_WOBBLE = 0.7
#: Off a whole period by so much, a loop is likely to be heard.
HEARD_OFF_PERIOD = 0.04
#: What is so small a part of what is just heard need not be smaller.
UNHEARD_RATIO = 0.1


def shortlist_cost(traits: Traits) -> np.ndarray:
    """Return what keeps candidates off the shortlist: waveform and envelope must match."""
    return np.asarray(
        6.0 * traits.mismatch
        + 0.6 * traits.distance
        + 0.3 * traits.excess
        + 0.1 * traits.levelling_db
        + traits.repetition_db / JUST_HEARD_REPETITION_DB
        + 20.0 * traits.off_period
        + 0.3 * traits.short
        + 1.0 * traits.rarity
        + 1.0 * np.maximum(0, traits.wobble - USUAL_WOBBLE)
        + 1.0 * np.minimum(1, traits.pitch_cents / traits.usual_cents)
    )


def choice_cost(traits: Traits) -> np.ndarray:
    """Return what decides among the shortlisted: how much would be heard of join and cycling.

    What goes past the point from which it is likely to be heard counts once more; of loops that
    are not heard, the one whose loudest trait is the least is the better.
    """
    repetition = traits.repetition_db / JUST_HEARD_REPETITION_DB
    cents = np.minimum(traits.pitch_cents, 20.0)
    return np.asarray(
        2.5 * np.sqrt(np.maximum(traits.mismatch, 0))
        + 0.5 * traits.after
        + 0.2 * traits.distance
        + 0.45 * traits.excess
        + 0.25 * traits.levelling_db
        + 6.0 * np.maximum(0, traits.wobble - USUAL_WOBBLE)
        + 0.3 * traits.short
        + _counted_twice(traits.off_period, 5.0, 0.01, 10.0)
        + _counted_twice(repetition, 1.0, 0.7, 2.7)
        + _counted_twice(cents, 0.035, 4.0, 0.14)
        + unlikeness_cost(traits.unlike)
        + unlikeness_cost(traits.unlike_wide)
        + _counted_twice(traits.quick_rarity, 0.5, 0.8, 3.5)
        + 0.3 * _loudest_db(traits)
    )


def unlikeness_cost(unlike: np.ndarray) -> np.ndarray:
    """Return what it costs to sound unlike the note."""
    return _counted_twice(unlike, 1.5, 0.8, 3.0)


def _loudest_db(traits: Traits) -> np.ndarray:
    """Return how far the loudest trait stays under what is just heard or usual, 0 to -20 dB.

    Quick rarity, seen at 5 ms, is too uncertain to be among them.
    """
    ratios = (
        traits.unlike,
        traits.unlike_wide,
        traits.wobble,
        traits.repetition_db / JUST_HEARD_REPETITION_DB,
        traits.pitch_cents / traits.usual_cents,
        traits.off_period / HEARD_OFF_PERIOD,
    )
    return np.asarray(20 * np.log10(np.clip(np.maximum.reduce(ratios), UNHEARD_RATIO, 1)))


def _counted_twice(
    values: np.ndarray, weight: float, limit: float, weight_beyond: float
) -> np.ndarray:
    """Return what values cost: so much each, and more for what goes beyond a limit."""
    return np.asarray(weight * values + weight_beyond * np.maximum(0, values - limit))
