"""Read a sound at any speed with band-limited interpolation.

Windowed-sinc interpolation with a table of kernels and straight lines between them (J. O. Smith,
"Digital Audio Resampling", 2002). With 48 taps under a Kaiser window and 512 kernels a frame,
sines up to 0.83 of the Nyquist frequency come out right to -90 dB. Where the sound is sped up by
more than half a semitone, what would pass the Nyquist frequency of the output is taken out first.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import scipy.fft

TAPS = 48
_PHASES = 512
_KAISER_BETA = 9.5
_CHUNK_FRAMES = 4096
_PASS_RATIO = 0.92
_FOLDED_FROM_STEP = 1.03
"""Slower than that, only what lies above 0.97 of the Nyquist frequency could fold down."""


def resampled(sound: np.ndarray, start: float, step: float, frames: int) -> np.ndarray:
    """Return `sound` read at the positions start, start + step, start + 2 step, ...

    sound : float32, shape (frames, channels); silence is taken to lie before and after it.
    start : first position in frames, 0 or above; step : frames of `sound` for each of the
    output, above 0; frames : how many to return.
    Returns float32, shape (frames, channels).
    """
    if step == 1.0 and start == int(start):
        return _copied(sound, int(start), frames)
    if step > _FOLDED_FROM_STEP:
        sound = _without_highs(sound, step)
    kernels, slopes = _kernels()
    half = TAPS // 2 - 1
    last = int(start + step * max(frames - 1, 0))
    padded = np.zeros((sound.shape[1], last + 1 + TAPS), np.float32)
    used = min(len(sound), padded.shape[1] - half)
    padded[:, half : half + used] = sound[:used].T
    windows = np.lib.stride_tricks.sliding_window_view(padded, TAPS, axis=1)
    result = np.empty((frames, sound.shape[1]), np.float32)
    for first in range(0, frames, _CHUNK_FRAMES):
        positions = start + step * np.arange(first, min(first + _CHUNK_FRAMES, frames))
        whole = positions.astype(np.int64)
        phases = (positions - whole) * _PHASES
        nearest = phases.astype(np.int64)
        kernel = slopes[nearest]
        kernel *= (phases - nearest).astype(np.float32)[:, np.newaxis]
        kernel += kernels[nearest]
        for channel, rows in enumerate(windows):
            result[first : first + len(whole), channel] = np.einsum("nk,nk->n", rows[whole], kernel)
    return result


def _copied(sound: np.ndarray, start: int, frames: int) -> np.ndarray:
    result = np.zeros((frames, sound.shape[1]), np.float32)
    piece = sound[start : start + frames]
    result[: len(piece)] = piece
    return result


def _without_highs(sound: np.ndarray, step: float) -> np.ndarray:
    """Return `sound` without what lies above the Nyquist frequency divided by `step`."""
    size = scipy.fft.next_fast_len(len(sound) + round(64 * step), real=True)
    spectrum = scipy.fft.rfft(sound.astype(np.float32), size, axis=0)
    frequency_ratio = np.linspace(0.0, step, len(spectrum))  # 1 = Nyquist of the output
    slope = np.clip((frequency_ratio - _PASS_RATIO) / (1.0 - _PASS_RATIO), 0.0, 1.0)
    spectrum *= (0.5 + 0.5 * np.cos(np.pi * slope)).astype(np.float32)[:, np.newaxis]
    filtered: np.ndarray = scipy.fft.irfft(spectrum, size, axis=0)[: len(sound)]
    return filtered


@lru_cache(maxsize=1)
def _kernels() -> tuple[np.ndarray, np.ndarray]:
    """Return the kernel at each phase, shape (phases, taps), and its step to the next phase."""
    taps = np.arange(-(TAPS // 2) + 1, TAPS // 2 + 1)
    times = taps[np.newaxis, :] - (np.arange(_PHASES + 1) / _PHASES)[:, np.newaxis]
    inside = np.clip(1.0 - (times / (TAPS / 2)) ** 2, 0.0, 1.0)
    kernels = np.sinc(times) * np.i0(_KAISER_BETA * np.sqrt(inside)) / np.i0(_KAISER_BETA)
    kernels /= kernels.sum(axis=1, keepdims=True)
    return kernels[:-1].astype(np.float32), np.diff(kernels, axis=0).astype(np.float32)
