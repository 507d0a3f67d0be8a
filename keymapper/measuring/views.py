"""Windows of audio, and powers in bands of what is listened to: left, right and their mean."""

from __future__ import annotations

import numpy as np


def windows(audio: np.ndarray, size: int, hop: int) -> np.ndarray:
    """Return the windows along the last axis, every so many frames, shape (..., times, size).

    They share the memory of the audio and are not to be written to. (NumPy's own sliding windows
    take longer to set up than a short transform takes.)
    """
    times, step = max(0, (audio.shape[-1] - size) // hop + 1), audio.strides[-1]
    return np.lib.stride_tricks.as_strided(
        audio,
        (*audio.shape[:-1], times, size),
        (*audio.strides[:-1], hop * step, step),
        writeable=False,
    )


def view_powers(spectra: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return the band powers of every view, shape (views, times, bands).

    A stereo sound has three views, so that its image and its mono sum count; any other as many as
    channels.

    spectra : complex64, shape (channels, times, bins).
    weights : float32, shape (bins, bands), not below 0.
    """
    stereo = len(spectra) == 2
    squares = np.empty((len(spectra) + stereo, *spectra.shape[1:]), dtype=np.float32)
    np.abs(spectra, out=squares[: len(spectra)])
    if stereo:
        np.abs(spectra[0] + spectra[1], out=squares[2])
    squares *= squares
    powers = np.asarray(squares @ weights)
    if stereo:
        powers[2] *= 0.25  # of the mean, not the sum
    return powers
