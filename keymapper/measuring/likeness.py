"""Whether two recordings are the same sound once more: waveforms lined up and compared."""

from __future__ import annotations

import numpy as np
import scipy.fft

from keymapper.measuring.levels import power_db
from keymapper.model.likeness import Likeness
from keymapper.model.sound import Course

COMPARED_SECONDS = 0.5
MARGIN_SECONDS = 0.01
"""How far two onsets may be misjudged against each other."""
HEARD_DB = 30.0
"""A part is compared where it lies no farther under the loudest: it is heard, and is no noise."""
PART_FRAMES = 1024
"""Some 20 ms: the noise of a stroke is heard by itself, though all of the note has more energy."""
LOWEST_BIN = 4
"""Where the octaves begin; all below is one part."""
_STEPS = 8
"""Of a frame, in which the lag is refined: recordings are not cut in step with the converter."""


def excerpt(samples: np.ndarray, rate: int, course: Course) -> np.ndarray:
    """Return what two notes are compared by: half a second from just before the onset.

    samples : float, shape (frames, channels), free of DC; the copy is float32 and may be shorter.
    """
    margin = round(MARGIN_SECONDS * rate)
    first = max(0, course.onset_frame - margin)
    last = min(course.end_frame, course.onset_frame + round(COMPARED_SECONDS * rate) + margin)
    return np.array(samples[first:last], dtype=np.float32)


def likeness(one: np.ndarray, other: np.ndarray, rate: int) -> Likeness:
    """Return how alike two excerpts are, all channels taken together.

    They are lined up by the peak of their cross-correlation within 20 ms, to an eighth of a
    frame, and compared where they overlap: as a whole, and part by part, for a strong partial
    outweighs all else. Silence, and another number of channels, are unlike.

    one, other : float, shape (frames, channels), of the same rate.
    """
    if one.shape[1] != other.shape[1] or not (one.any() and other.any()):
        level_db = _level_db(one) - _level_db(other)
        return Likeness(correlation=0.0, least_correlation=0.0, level_difference_db=level_db)
    correlation, place = _best_match(one, other, round(2 * MARGIN_SECONDS * rate))
    lag = round(place)
    a, b = one[max(0, lag) :], other[max(0, -lag) :]
    shared = min(len(a), len(b))
    a, b = a[:shared], b[:shared]
    return Likeness(
        correlation=correlation,
        least_correlation=_least_correlation(a, b, place - lag),
        level_difference_db=_level_db(a) - _level_db(b),
    )


def _level_db(samples: np.ndarray) -> float:
    flat = samples.astype(np.float64).ravel()
    return power_db(float(flat @ flat) / max(1, flat.size))


def _best_match(one: np.ndarray, other: np.ndarray, most: int) -> tuple[float, float]:
    """Return the highest normalised correlation, and by how many frames `one` comes later there.

    Between frames too, and against what overlaps: of a high note that holds, the next period may
    fit the frames better than the true lag does, or overlap for longer.
    """
    most = min(most, len(one) - 1, len(other) - 1)
    frames = 2 * scipy.fft.next_fast_len((len(one) + len(other) + 1) // 2, real=True)
    first, second = (
        scipy.fft.rfft(side.astype(np.float64), frames, axis=0) for side in (one, other)
    )
    cross = (first * second.conj()).sum(axis=1)
    cross[-1] *= 0.5  # half of it belongs to the frequencies above
    places = np.arange(-_STEPS * most, _STEPS * most + 1)
    sums = _STEPS * scipy.fft.irfft(cross, _STEPS * frames)[places]
    norms = np.sqrt(_overlapping_energies(one, other, np.arange(-most, most + 1)))
    norms = norms[np.rint(places / _STEPS).astype(int) + most]
    correlations = np.divide(sums, norms, out=np.zeros_like(sums), where=norms > 0)
    best = int(np.argmax(correlations))
    return float(np.clip(correlations[best], -1.0, 1.0)), float(places[best] / _STEPS)


def _overlapping_energies(one: np.ndarray, other: np.ndarray, lags: np.ndarray) -> np.ndarray:
    """Product of the energies of two sounds where they overlap, at each lag of the first."""
    starts, other_starts = np.maximum(lags, 0), np.maximum(-lags, 0)
    shared = np.minimum(len(one) - starts, len(other) - other_starts)
    energies = []
    for samples, begin in ((one, starts), (other, other_starts)):
        power = np.einsum("ij,ij->i", samples, samples, dtype=np.float64)
        until = np.concatenate([[0.0], np.cumsum(power)])
        energies.append(until[begin + shared] - until[begin])
    return np.asarray(energies[0] * energies[1])


def _least_correlation(one: np.ndarray, other: np.ndarray, lag: float) -> float:
    """Correlation of the least alike of the parts that are heard, 1 where there is none.

    lag : by how many frames, less than one or so, `one` comes later.
    """
    first, second = _short_spectra(one), _short_spectra(other)
    bins = first.shape[1]
    second = second * np.exp(-2j * np.pi * lag * np.arange(bins) / PART_FRAMES)[:, None]
    edges = [0, *(LOWEST_BIN << octave for octave in range(bins.bit_length() - 3))]
    cross, *powers = (
        np.add.reduceat(product.real.sum(axis=2), edges, axis=1)
        for product in (first * second.conj(), np.abs(first) ** 2, np.abs(second) ** 2)
    )
    power = np.sqrt(powers[0] * powers[1])
    loud = np.maximum(*powers)
    heard = loud > max(float(loud.max(initial=0.0)) * 10 ** (-HEARD_DB / 10), np.finfo(float).tiny)
    shares = cross[heard] / np.maximum(power[heard], np.finfo(float).tiny)
    return float(np.clip(shares.min(initial=1.0), -1.0, 1.0))


def _short_spectra(samples: np.ndarray) -> np.ndarray:
    """Spectra of Hann windows that overlap by half, shape (windows, bins, channels)."""
    hop = PART_FRAMES // 2
    padded = np.pad(samples.astype(np.float64), ((hop, PART_FRAMES), (0, 0)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, PART_FRAMES, axis=0)[::hop]
    hann = np.hanning(PART_FRAMES + 1)[:-1]
    return np.asarray(scipy.fft.rfft(windows * hann, axis=2).swapaxes(1, 2))
