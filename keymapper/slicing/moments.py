"""What is heard of partials that grow from each of many moments on.

As `growth.growth_from` has it for one moment, without the courses: sums over the frames from a
moment on are those from the one after it, moved, and those of the frames between.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache

import numpy as np
from scipy import linalg

from keymapper.slicing.course import FloatArray
from keymapper.slicing.growth import GROWING, GROWN_SECONDS, Ground, beside_tail


def powers_from(
    ground: Ground, key_downs: FloatArray, ways: Sequence[Sequence[int]] = (GROWING,)
) -> FloatArray:
    """Return the sums of squares that partials growing from each moment explain, beside the tail.

    Shape (ways, moments). key_downs : rising. ways : in which partials may grow, each as powers of
    the time.
    """
    powers = [
        [power_of(*products) for products in every] for every in heard_from(ground, key_downs, ways)
    ]
    return np.array(powers).T


def power_of(precision: FloatArray, heard: FloatArray) -> float:
    """Return the sum of squares that courses explain, of which products are given."""
    return float((heard * linalg.solve(precision, heard, assume_a="pos")).sum())


def heard_from(
    ground: Ground, key_downs: FloatArray, ways: Sequence[Sequence[int]]
) -> list[list[tuple[FloatArray, FloatArray]]]:
    """Return what `growth.Growth` has as precision and heard, for every moment and way.

    key_downs : rising. ways : each as powers of the time.
    """
    highest = max(max(way) for way in ways)
    falling = [
        [_in_way(ground, way, *sums) for way in ways]
        for sums in _sums_from(ground, key_downs[::-1], highest)
    ]
    return falling[::-1]


def _in_way(
    ground: Ground, way: Sequence[int], own: FloatArray, shared: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return precision and heard of the courses of a way, of sums of all powers."""
    tail_courses = ground.tail.shape[1]
    courses = own[np.add.outer(way, way)].transpose(0, 2, 1, 3)
    others = shared[list(way)].transpose(1, 0, 2).reshape(shared.shape[1], -1)
    products = courses.reshape(others.shape[1], -1)
    with_tail, with_samples = others[:tail_courses], others[tail_courses:].T
    _, precision, heard = beside_tail(ground, products, with_tail, with_samples)
    return precision, heard


def _sums_from(
    ground: Ground, key_downs: FloatArray, highest: int
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield products of the note's waves, times powers of the time since each moment, from it on.

    With the waves themselves, shape (powers, waves, waves), and with the courses of the tail and
    the samples, shape (powers, courses + channels, waves).

    key_downs : falling. highest : power by which partials grow.
    """
    most, fewer = 2 * highest + 1, highest + 1
    count = ground.waves.shape[1]
    beside = np.concatenate([ground.tail, ground.samples], axis=1)
    own, shared = np.zeros((most, count, count)), np.zeros((fewer, beside.shape[1], count))
    since, end = float(key_downs[0]), len(beside)
    for key_down in key_downs.tolist():
        first = int(np.searchsorted(ground.seconds, key_down))
        waves_between = ground.waves[first:end]
        grown = (ground.seconds[first:end] - key_down)[:, None] / GROWN_SECONDS
        moved = _moved((since - key_down) / GROWN_SECONDS, most)
        own = np.tensordot(moved, own, 1)
        shared = np.tensordot(moved[:fewer, :fewer], shared, 1)
        risen = waves_between
        for power in range(most):
            own[power] += waves_between.T @ risen
            if power < fewer:
                shared[power] += beside[first:end].T @ risen
            risen = risen * grown
        yield own, shared
        since, end = key_down, first


def _moved(by: float, powers: int) -> FloatArray:
    """Return what makes (t + by)**n of t**n, for so many n from 0 on."""
    power = np.arange(powers)
    away = np.maximum(power[:, None] - power, 0)
    return np.asarray(_pascal(powers) * by**away)


@lru_cache
def _pascal(powers: int) -> FloatArray:
    return np.asarray(linalg.pascal(powers, kind="lower"))
