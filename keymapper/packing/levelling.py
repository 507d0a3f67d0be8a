"""Bring a phrase to the loudness of all previews without letting it clip anybody's converter."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loudness import integrated_lufs, oversampled_peaks, true_peak_dbtp

PREVIEW_LUFS = -16.0
PREVIEW_PEAK_DBTP = -1.0
_MOST_LIMITING_DB = 8.0
_ROUNDS = 8
_CLOSE_LU = 0.05
_LOOK_SECONDS = 0.005
_PEAK_MARGIN_DB = 0.1


def levelled(samples: np.ndarray, rate: int) -> np.ndarray:
    """Return a sound at -16 LUFS and at most -1 dBTP.

    Peaks beyond are turned down smoothly over 5 ms; a sound that would need more than 8 dB of
    that stays softer than -16 LUFS. Silence, and what is shorter than 400 ms, is only kept below
    the peak.

    samples : float, shape (frames, channels).
    """
    loudness = integrated_lufs(samples, rate)
    peak = true_peak_dbtp(samples)
    ceiling = PREVIEW_PEAK_DBTP - _PEAK_MARGIN_DB
    gain_db = ceiling - peak if loudness is None else PREVIEW_LUFS - loudness
    gain_db = min(gain_db, ceiling - peak + _MOST_LIMITING_DB)
    result = limited(samples * 10 ** (gain_db / 20), rate, ceiling)
    for _ in range(_ROUNDS):
        now = integrated_lufs(result, rate)
        missing = 0.0 if now is None else PREVIEW_LUFS - now
        allowed = ceiling - peak + _MOST_LIMITING_DB - gain_db
        if abs(missing) < _CLOSE_LU or min(missing, allowed) <= 0 <= missing:
            break
        gain_db += min(missing, allowed)
        result = limited(samples * 10 ** (gain_db / 20), rate, ceiling)
    over = true_peak_dbtp(result) - PREVIEW_PEAK_DBTP
    return result * 10 ** (-over / 20) if over > 0 else result


def limited(samples: np.ndarray, rate: int, ceiling_db: float) -> np.ndarray:
    """Return a sound whose peaks, between the samples too, are turned down to a ceiling.

    The gain looks 5 ms ahead and moves as a raised cosine of 10 ms does, the same for both sides.
    """
    from scipy.ndimage import minimum_filter1d

    ceiling = 10 ** (ceiling_db / 20)
    if not len(samples) or true_peak_dbtp(samples) <= ceiling_db:
        return samples
    peaks = oversampled_peaks(samples, ceiling / 2)
    needed = np.minimum(1.0, ceiling / np.maximum(peaks, 1e-12))
    look = max(1, round(_LOOK_SECONDS * rate))
    width = 2 * look + 1
    held = minimum_filter1d(needed, width, mode="nearest")
    window = np.hanning(width + 2)[1:-1]
    padded = np.pad(held, look, mode="edge")
    smooth = np.convolve(padded, window / window.sum(), "valid").astype(samples.dtype)
    shaped: np.ndarray = samples * smooth[:, np.newaxis]
    return shaped


def faded(samples: np.ndarray, rate: int, in_seconds: float, out_seconds: float) -> np.ndarray:
    """Return a sound that rises from silence and falls back to it along raised cosines."""
    result = samples.copy()
    head = min(len(samples) // 2, round(in_seconds * rate))
    tail = min(len(samples) // 2, round(out_seconds * rate))
    result[:head] *= _rise(head)
    result[len(samples) - tail :] *= _rise(tail)[::-1]
    return result


def _rise(frames: int) -> np.ndarray:
    phase = (np.arange(frames) + 0.5) / max(1, frames)
    rise: np.ndarray = (0.5 - 0.5 * np.cos(np.pi * phase))[:, np.newaxis]
    return rise


def medley(sounds: list[np.ndarray], rate: int, seconds: float, overlap: float) -> np.ndarray:
    """Return the beginnings of some sounds, one fading over into the next at equal power.

    Returns float32, shape (frames, 2), not levelled.
    """
    length, shared = round(seconds * rate), round(overlap * rate)
    pieces = [sound[: length + shared] for sound in sounds]
    total = sum(max(0, len(piece) - shared) for piece in pieces) + shared
    result = np.zeros((total, 2), np.float32)
    at = 0
    for number, piece in enumerate(pieces):
        edge = min(shared, len(piece) // 2)
        shaped = piece.astype(np.float32)
        if number:
            shaped[:edge] *= np.sqrt(_rise(edge))
        shaped[len(shaped) - edge :] *= np.sqrt(_rise(edge))[::-1]
        result[at : at + len(shaped)] += shaped
        at += max(0, len(piece) - shared)
    return result
