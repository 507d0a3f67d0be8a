"""Soft notes under the tails of louder ones, which add little to what sounds when they begin."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from keymapper.channels import less_means
from keymapper.slicing.course import FloatArray
from keymapper.slicing.hearing import HeardTake

_WINDOW_SECONDS, _HOP_SECONDS = 0.1, 0.05
_HEARD_HZ = (40.0, 10_000.0)
_HISTORY_SECONDS, _BEGUN_SECONDS = 1.5, 0.05
_NEW_RATIO, _NOISE_RATIO = 4.0, 16.0
_NOISE_BINS = 9
_LEAST_NEW_BINS = 3
"""As wide is a lone partial."""


def has_new_partials(heard: HeardTake, start_seconds: float, stop_seconds: float) -> bool:
    """Say whether partials sound between two moments as they never did in the 1.5 s before.

    Heard in steps of 10 Hz, where third-octave bands are filled by the tail of a louder note. Tails
    fade, whatever beats in them: their partials come no higher than they have been.
    """
    before = _spectra(heard, start_seconds - _HISTORY_SECONDS, start_seconds)
    after = _spectra(heard, start_seconds + _BEGUN_SECONDS, stop_seconds)
    quiet_seconds = heard.levels.noise_seconds
    quiet = _spectra(heard, quiet_seconds, quiet_seconds + _WINDOW_SECONDS)
    if not (len(before) and len(after) and len(quiet)):
        return False
    known = maximum_filter1d(before.max(axis=0), 3)
    noise = uniform_filter1d(quiet.mean(axis=0), _NOISE_BINS)
    sounding = np.median(after, axis=0)
    new = (sounding > _NEW_RATIO * known) & (sounding > _NOISE_RATIO * noise)
    return int(new.sum()) >= _LEAST_NEW_BINS


def _spectra(heard: HeardTake, start_seconds: float, end_seconds: float) -> FloatArray:
    """Return power spectra of windows of 0.1 s that lie within a stretch; none if it is shorter."""
    rate = heard.take.rate_hz
    window, hop = round(_WINDOW_SECONDS * rate), round(_HOP_SECONDS * rate)
    samples = heard.take.read(max(0, round(start_seconds * rate)), round(end_seconds * rate))
    hertz = np.fft.rfftfreq(window, 1 / rate)
    audible = (hertz > _HEARD_HZ[0]) & (hertz < _HEARD_HZ[1])
    if len(samples) < window:
        return np.zeros((0, int(audible.sum())))
    planes = less_means(samples, heard.course.offset).T
    frames = np.lib.stride_tricks.sliding_window_view(planes, window, axis=1)[:, ::hop]
    spectra = np.fft.rfft(frames * np.hanning(window), axis=2)[..., audible]
    return np.asarray((np.abs(spectra) ** 2).mean(axis=0))
