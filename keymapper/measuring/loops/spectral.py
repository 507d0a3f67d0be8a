"""Changing a stretch of audio in time and frequency: Hann frames of 43 ms, 75 % overlap."""

from __future__ import annotations

import numpy as np
from scipy import fft

WINDOW_SECONDS = 0.043
OVERLAP = 4


def hop_frames(rate: int) -> int:
    """Frames from one window to the next, a quarter of the window."""
    return int(fft.next_fast_len(round(WINDOW_SECONDS * rate / OVERLAP), real=True))


def spectra(column: np.ndarray, hop: int) -> np.ndarray:
    """Return Hann spectra, shape (times, bins); spectrum t is centred on frame (t - 1) * hop.

    column : float32, shape (frames,); the frames before and after it count as zero.
    """
    times = spectrum_count(len(column), hop)
    padded = np.zeros((times + OVERLAP - 1) * hop, dtype=np.float32)
    padded[(OVERLAP - 1) * hop :][: len(column)] = column
    pieces = np.lib.stride_tricks.sliding_window_view(padded, OVERLAP * hop)[::hop]
    return np.asarray(fft.rfft(pieces * _window(hop), axis=1))


def spectrum_count(frames: int, hop: int) -> int:
    """How many spectra cover so many frames."""
    return -(-frames // hop) + OVERLAP - 1


def spectrum_centres(frames: int, hop: int) -> np.ndarray:
    """Frame each spectrum is centred on."""
    return (np.arange(spectrum_count(frames, hop)) - OVERLAP // 2 + 1) * hop


def resynthesised(changed: np.ndarray, hop: int, frames: int) -> np.ndarray:
    """Return the audio of (changed) spectra; unchanged ones give the column back."""
    pieces = fft.irfft(changed, n=OVERLAP * hop, axis=1) * (_window(hop) / 1.5)
    summed = np.zeros((len(pieces) + OVERLAP - 1, hop), dtype=np.float32)
    for quarter in range(OVERLAP):
        summed[quarter : quarter + len(pieces)] += pieces[:, quarter * hop : (quarter + 1) * hop]
    return np.asarray(summed.ravel()[(OVERLAP - 1) * hop :][:frames])


def third_octave_powers(spectrum: np.ndarray) -> np.ndarray:
    """Return the mean power of the third octave around each bin (three bins at least)."""
    bins = spectrum.shape[1]
    place = np.arange(bins)
    low = np.minimum(np.floor(place * 2 ** (-1 / 6)), place - 1).clip(min=0).astype(int)
    high = np.maximum(np.ceil(place * 2 ** (1 / 6)), place + 1).clip(max=bins - 1).astype(int) + 1
    sums = np.zeros((len(spectrum), bins + 1))
    np.cumsum(spectrum.real**2 + spectrum.imag**2, axis=1, dtype=float, out=sums[:, 1:])
    return np.asarray(((sums[:, high] - sums[:, low]) / (high - low)).astype(np.float32))


def _window(hop: int) -> np.ndarray:
    return np.asarray(np.hanning(OVERLAP * hop + 1)[:-1].astype(np.float32))
