"""The onset of a slow note that begins under the noise, heard through a filter made for it.

What the note holds later says which frequencies it is made of; a filter that passes only these
(of the kind N. Wiener described in 1949, as a mask) lowers the noise by 10 to 20 dB and leaves the
waveform as it is, so that the first frame at the audible level can be seen again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.slicing.course import FloatArray
from keymapper.slicing.onset import CLEAR_RATIO, FoundOnset

FILTER_SECONDS = (0.005, 0.01, 0.02, 0.04, 0.08)
_ENOUGH_RATIO = 16.0
"""A level so many times the RMS of the noise that passes needs no longer filter."""
_EARLY_RATIO = 0.8
"""So many times that RMS the level is taken lower: rather early than late."""
_LEAST_PAST_SECONDS = 0.1
_PASSED_RATIO = 0.5
"""Passed is what at the audible level has this share of the power of the noise, at least."""


def buried_onset(
    stretch: FloatArray, search: int, hold: FloatArray, rate_hz: int, peak: float, threshold: float
) -> FoundOnset | None:
    """Return where a note first reaches a level, or None where the noise still hides it.

    The shortest filter that makes the level stand out well is taken, else the best: the longer a
    filter is, the more it blurs the start.

    stretch : float, shape (frames,), one channel: noise alone up to frame ``search``.
    hold : the note itself, held, with the same noise.
    peak : of the note. threshold : the level, in full scale.
    """
    if search < _LEAST_PAST_SECONDS * rate_hz or peak <= 0:
        return None
    passed: list[_Passed] = []
    for seconds in FILTER_SECONDS:
        taps = round(seconds * rate_hz) // 2 * 2
        one = _passed(stretch, search, hold, threshold / peak, taps)
        if one is not None:
            passed.append(one)
            if one.share * threshold > _ENOUGH_RATIO * one.rms:
                break
    if not passed:
        return None
    best = max(passed, key=lambda one: one.share / one.rms)
    wanted = threshold * best.share
    if wanted <= max(CLEAR_RATIO * best.rms, 1.1 * best.highest):
        return None
    wanted -= _EARLY_RATIO * best.rms
    size = np.abs(best.signal[search:])
    first = int(np.argmax(size >= wanted))
    if size[first] < wanted:
        return None
    risen = size >= 4 * wanted
    rise = int(np.argmax(risen)) - first if risen.any() else 0
    return FoundOnset(frame=search + first, case="filtered", rise_frames=max(0, rise))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Passed:
    """What a filter passes: the signal, its noise (RMS, highest), its share of a note's peak."""

    signal: FloatArray
    rms: float
    highest: float
    share: float


def _passed(
    stretch: FloatArray, search: int, hold: FloatArray, ratio: float, taps: int
) -> _Passed | None:
    """Return a stretch through the filter of so many taps that suits a note; None where none does.

    ratio : of the audible level to the peak of the note.
    """
    if len(hold) < 2 * taps or search < 2 * taps:
        return None
    window = min(taps, search // 4)
    level = _interpolated(_spectrum(stretch[:search], window), taps // 2 + 1)
    made_of = np.maximum(_spectrum(hold, taps) - level, 0) * ratio**2
    mask = (made_of > _PASSED_RATIO * level).astype(float)
    if not mask.any():
        return None
    kernel = np.append(np.roll(fft.irfft(mask, taps), taps // 2) * np.hanning(taps + 1)[:-1], 0.0)
    signal = _filtered(stretch, kernel)
    past = signal[taps // 2 : search - taps // 2]
    return _Passed(
        signal=signal,
        rms=math.sqrt(float(np.mean(past**2))) + 1e-12,
        highest=float(np.abs(past).max()),
        share=float(np.abs(_filtered(hold, kernel)).max() / max(np.abs(hold).max(), 1e-12)),
    )


def _spectrum(signal: FloatArray, window: int) -> FloatArray:
    """Return the mean power of Hann frames that overlap by half, scaled to white noise of RMS 1."""
    shape = np.hanning(window + 1)[:-1]
    frames = np.lib.stride_tricks.sliding_window_view(signal, window)[:: window // 2] * shape
    return np.asarray(np.mean(np.abs(fft.rfft(frames, axis=1)) ** 2, axis=0) / (shape @ shape))


def _interpolated(spectrum: FloatArray, bins: int) -> FloatArray:
    place = np.linspace(0, len(spectrum) - 1, bins)
    return np.asarray(np.interp(place, np.arange(len(spectrum)), spectrum))


def _filtered(signal: FloatArray, kernel: FloatArray) -> FloatArray:
    """Return the signal through a symmetric kernel, without delay."""
    size = fft.next_fast_len(len(signal) + len(kernel) - 1, real=True)
    whole = fft.irfft(fft.rfft(signal, size) * fft.rfft(kernel, size), size)
    return np.asarray(whole[len(kernel) // 2 :][: len(signal)])
