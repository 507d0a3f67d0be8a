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
_AFTER_SECONDS, _EVEN_RATIO, _GONE_RATIO = 0.3, 0.8, 0.2


def has_new_partials(heard: HeardTake, start_seconds: float, stop_seconds: float) -> bool:
    """Say whether partials sound between two moments as they never did in the 1.5 s before.

    Heard in steps of 10 Hz, where third-octave bands are filled by the tail of a louder note. Tails
    fade, whatever beats in them: their partials come no higher than they have been.
    """
    before = _spectra(heard, start_seconds - _HISTORY_SECONDS, start_seconds)
    after = _spectra(heard, start_seconds + _BEGUN_SECONDS, stop_seconds)
    noise = _noise(heard)
    if not (len(before) and len(after) and len(noise)):
        return False
    known = maximum_filter1d(before.max(axis=0), 3)
    sounding = np.median(after, axis=0)
    new = (sounding > _NEW_RATIO * known) & (sounding > _NOISE_RATIO * noise)
    return int(new.sum()) >= _LEAST_NEW_BINS


def sounds_on_while_held(
    heard: HeardTake, start_seconds: float, off_seconds: float, until_seconds: float
) -> bool:
    """Say whether something sounds as loud to the end of a hold, and fades once its key is let go.

    The tail of the note before fades all along. Heard in the second half of the hold, where that
    tail is lowest, as the power of all partials together, for one alone may beat: it is not to fade
    within that half, or not to be softer than the first one, as what swells and falls again.
    """
    half = 0.5 * (off_seconds - start_seconds)
    first, middle, late = (
        _spectra(heard, off_seconds - begin * half, off_seconds - end * half)
        for begin, end in ((2.0, 1.0), (1.0, 0.5), (0.5, 0.0))
    )
    after = _spectra(
        heard, max(off_seconds, until_seconds - _AFTER_SECONDS), until_seconds - _BEGUN_SECONDS
    )
    noise = _noise(heard)
    if not (len(first) and len(middle) and len(late) and len(after) and len(noise)):
        return False
    partials = np.median(late, axis=0) > _NOISE_RATIO * noise
    if int(partials.sum()) < _LEAST_NEW_BINS:
        return False
    begun, before, held, gone = (
        float(part.mean(axis=0)[partials].sum()) for part in (first, middle, late, after)
    )
    is_even = held > _EVEN_RATIO * before or (before + held) / 2 > _EVEN_RATIO * begun
    return is_even and gone < _GONE_RATIO * held


def _noise(heard: HeardTake) -> FloatArray:
    """Return the smooth spectrum of the quietest moment; empty where that cannot be read."""
    seconds = heard.levels.noise_seconds
    quiet = _spectra(heard, seconds, seconds + _WINDOW_SECONDS)
    return uniform_filter1d(quiet.mean(axis=0), _NOISE_BINS) if len(quiet) else np.zeros(0)


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
