"""One pitch out of many partials."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keymapper.measuring.pitch.partials import CENTS_PER_RATIO, WindowPartials
from keymapper.measuring.pitch.sustain import Array

STRETCHES = np.concatenate([[0.0], np.geomspace(1e-6, 6e-3, 39)])
"""The B that are tried."""
HUBER_ROUNDS = 3
LINE_BINS, CLUSTER_BINS, FLOOR_CENTS = 0.01, 0.25, 0.03
"""Standard errors of a line and of a cluster, in bins of the window, and the least of any."""
WIDEST_REACH = 0.16
"""Of a fundamental: partials that spread wider overlap their neighbours."""
OVERLAPPING_WEIGHT = 0.001
"""Against partials that do not."""
PERIOD_REACH_CENTS = 60.0
"""From their harmonics: partials farther off tell nothing of the common period."""
STRETCH_GAIN, LEAST_STRETCH_SHARE, VOTED_PARTIALS = 1.25, 0.5, 5
"""A stretching is voted for by so many times the votes for none, by such a share of all votes, and
by so many partials at least."""
STRETCH_PARTIALS = 4
"""The fewest that can show a stretching too small to be voted for."""
STRETCH_SCATTER = 0.25
"""Share of the scatter that a stretching may leave to be believed."""
MEDIAN_TO_SIGMA = 1.4826
"""Of absolute values, normally distributed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Vote:
    """The pitch most partials agree on.

    ``f0_hz`` first partial of the fit; ``period_hz`` the common period that fits the strong
    partials; ``share`` of the vote behind it; ``error_cents`` standard error of the mean;
    ``inharmonicity`` B or 0; ``line_share`` of pure lines; ``spread_cents`` mean relative width of
    the partials; ``scatter_cents`` how far the agreeing ones, ``agreeing``, are apart.
    """

    f0_hz: float
    period_hz: float
    share: float
    error_cents: float
    inharmonicity: float
    line_share: float
    spread_cents: float
    scatter_cents: float
    agreeing: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ballots:
    """What each partial votes: ``cents`` against its harmonic, how heavily, and how widely."""

    orders: Array
    cents: Array
    spreads: Array
    sigmas: Array
    levels: Array
    weights: Array

    @property
    def widths(self) -> Array:
        """Reach of each vote, in cents."""
        return np.asarray(np.clip(3 * self.sigmas, 1, np.maximum(6, 1.5 * self.sigmas)))


def vote(partials: WindowPartials) -> Vote | None:
    """Return the pitch most partials agree on, or None when there are none.

    Kernel vote over the cents of each partial against its harmonic, for 40 degrees of stretching
    f_k = k f sqrt(1 + B k^2) (Fletcher 1964), then Huber means of the agreeing ones.
    """
    if not len(partials.orders):
        return None
    ballots = _ballots(partials)
    order, cents, sigmas = ballots.orders, ballots.cents, ballots.sigmas
    straight = cents - 0.5 * CENTS_PER_RATIO * np.log1p(STRETCHES[:, None] * (order**2 - 1))
    apart = (straight[:, :, None] - straight[:, None, :]) / ballots.widths[:, None]
    votes = np.sum(ballots.weights[:, None] * np.maximum(0, 1 - apart**2), axis=1)
    chosen = _choose_stretch(straight, votes, ballots)
    centre = straight[chosen, np.argmax(votes[chosen])]
    inliers = np.abs(straight[chosen] - centre) < ballots.widths
    weight = np.where(inliers, ballots.weights / sigmas**2, 0.0)
    level, b = _refine(cents, order, weight, float(STRETCHES[chosen]))
    residual = _residual(cents, order, level, b)
    used = weight / weight.sum()
    formal = 1 / np.sum(np.where(inliers, 1 / sigmas**2, 0.0))
    scatter = np.sum(used * residual**2) * np.sum(used**2)
    heard = ballots.weights * inliers
    return Vote(
        f0_hz=float(partials.f0_hz * 2 ** (level / 1200)),
        period_hz=float(partials.f0_hz * 2 ** (_period_cents(ballots) / 1200)),
        share=float(votes[chosen].max() / ballots.weights.sum()),
        error_cents=float(np.sqrt(formal + scatter)),
        inharmonicity=b,
        line_share=float(np.sum(ballots.weights * partials.is_line) / ballots.weights.sum()),
        spread_cents=float(np.sum(heard * ballots.spreads) / heard.sum()),
        scatter_cents=float(np.sqrt(np.sum(heard * residual**2) / heard.sum())),
        agreeing=tuple(int(k) for k in order[inliers]),
    )


def _ballots(partials: WindowPartials) -> Ballots:
    """Weigh the partials: the root of amplitude; next to nothing where neighbours overlap."""
    order = partials.orders
    levels = partials.amplitudes / partials.amplitudes.max()
    weights = np.sqrt(levels)
    spreads = CENTS_PER_RATIO * partials.spreads_hz / partials.frequencies_hz
    common = _weighted_median(spreads, weights)
    reach = np.maximum(common, spreads) * order / CENTS_PER_RATIO
    cents = CENTS_PER_RATIO * np.log(partials.frequencies_hz / (order * partials.f0_hz))
    return Ballots(
        orders=order,
        cents=cents - spreads**2 / (2 * CENTS_PER_RATIO),  # mean of logarithms, not of Hz
        spreads=spreads,
        sigmas=_sigmas(partials, spreads, common),
        levels=levels,
        weights=np.where(reach > WIDEST_REACH, OVERLAPPING_WEIGHT * weights, weights),
    )


def _period_cents(ballots: Ballots) -> float:
    """Cents of the common period: mean weighted by energy and square of the harmonic number."""
    strength = ballots.levels**2 * ballots.orders**2 * (np.abs(ballots.cents) < PERIOD_REACH_CENTS)
    return float(np.sum(strength * ballots.cents) / max(float(strength.sum()), 1e-12))


def _weighted_median(values: Array, weights: Array) -> float:
    order = np.argsort(values, kind="stable")
    half_way = int(np.searchsorted(np.cumsum(weights[order]), 0.5 * weights.sum()))
    return float(values[order[min(half_way, len(order) - 1)]])


def _sigmas(partials: WindowPartials, spreads: Array, common: float) -> Array:
    """Return the standard error of each partial, in cents.

    Of a cluster it is no more than half the spread; so, too, of the low partials of a sound whose
    spread is ``common`` to most: they beat unresolved.
    """
    bin_cents = CENTS_PER_RATIO / (partials.window_seconds * partials.frequencies_hz)
    spread = np.maximum(spreads, common)
    blur = np.minimum(0.5 * spread, CLUSTER_BINS * bin_cents)
    blur = np.maximum(blur, LINE_BINS * bin_cents)
    return np.asarray(np.sqrt(blur**2 + partials.noises_cents**2 + FLOOR_CENTS**2))


def _choose_stretch(straight: Array, votes: Array, ballots: Ballots) -> int:
    """Return the index of the stretching to believe: none, unless one explains clearly more."""
    best = votes.max(axis=1)
    other = int(np.argmax(best))
    centre = straight[other, np.argmax(votes[other])]
    inliers = int(np.sum(np.abs(straight[other] - centre) < ballots.widths))
    least = max(STRETCH_GAIN * best[0], LEAST_STRETCH_SHARE * ballots.weights.sum())
    clearly = best[other] > least
    return other if clearly and inliers >= VOTED_PARTIALS else 0


def _refine(cents: Array, order: Array, weight: Array, b: float) -> tuple[float, float]:
    """Return level and stretching of the inliers; a stretching too small to vote for counts, too.

    It is believed when it leaves less than a quarter of the scatter, over at least four partials.
    """
    free = _huber_fit(cents, order, weight, b, free=True)
    if b > 0:
        return free
    plain = _huber_fit(cents, order, weight, 0.0, free=False)
    enough = np.count_nonzero(weight) >= STRETCH_PARTIALS
    scatter = [float(np.sum(weight * _residual(cents, order, *fit) ** 2)) for fit in (free, plain)]
    return free if enough and scatter[0] < STRETCH_SCATTER * scatter[1] else plain


def _residual(cents: Array, order: Array, level: float, b: float) -> Array:
    return np.asarray(cents - 0.5 * CENTS_PER_RATIO * np.log1p(b * (order**2 - 1)) - level)


def _huber_fit(
    cents: Array, order: Array, weight: Array, b: float, *, free: bool
) -> tuple[float, float]:
    """Huber-weighted level of the inliers; when ``free``, level and stretching together."""
    lowest = -0.5 / float(order.max()) ** 2
    squares, used = order**2 - 1, weight > 0
    level = float(np.sum(weight * _residual(cents, order, 0.0, b)) / weight.sum())
    for _ in range(HUBER_ROUNDS):
        residual = _residual(cents, order, level, b)
        distances = np.sort(np.abs(residual[used]))
        middle = float(distances[len(distances) // 2])
        limit = max(2 * MEDIAN_TO_SIGMA * middle, 1e-6)
        robust = weight * np.minimum(1, limit / np.maximum(np.abs(residual), 1e-12))
        if not free:
            level += float(np.sum(robust * residual) / robust.sum())
            continue
        slope = 0.5 * CENTS_PER_RATIO * squares / (1 + b * squares)
        total, first = float(robust.sum()), float(robust @ slope)
        second = float(robust @ slope**2)
        product = float(robust @ residual), float((robust * slope) @ residual)
        determinant = total * second - first**2
        if determinant <= 1e-9 * total * second:
            break
        level += (second * product[0] - first * product[1]) / determinant
        b = max(b + (total * product[1] - first * product[0]) / determinant, lowest)
    return level, b
