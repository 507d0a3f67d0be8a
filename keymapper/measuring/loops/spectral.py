"""Changing a stretch of audio in time and frequency: frames of 43 ms, 75 or 50 % overlap.

At 75 % the window is a Hann window, before and after the change; at 50 %, for changes that are
slow and smooth, its square root.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import fft

from keymapper.measuring.views import windows

WINDOW_SECONDS = 0.043
OVERLAP = 4


def hop_frames(rate: int) -> int:
    """Frames from one window to the next, a quarter of the window."""
    return int(fft.next_fast_len(round(WINDOW_SECONDS * rate / OVERLAP), real=True))


def spectra(columns: np.ndarray, hop: int, overlap: int = OVERLAP) -> np.ndarray:
    """Return windowed spectra, shape (..., times, bins), of ``overlap`` hops each.

    Spectrum t is centred on frame (t - overlap // 2 + 1) * hop.

    columns : float32, shape (..., frames); the frames before and after count as zero.
    """
    frames = columns.shape[-1]
    times = spectrum_count(frames, hop, overlap)
    padded = np.zeros((*columns.shape[:-1], (times + overlap - 1) * hop), dtype=np.float32)
    padded[..., (overlap - 1) * hop :][..., :frames] = columns
    pieces = windows(padded, overlap * hop, hop)
    return np.asarray(fft.rfft(pieces * _window(hop, overlap), axis=-1))


def spectrum_count(frames: int, hop: int, overlap: int = OVERLAP) -> int:
    """How many spectra cover so many frames."""
    return -(-frames // hop) + overlap - 1


def spectrum_centres(frames: int, hop: int, overlap: int = OVERLAP) -> np.ndarray:
    """Frame each spectrum is centred on."""
    return (np.arange(spectrum_count(frames, hop, overlap)) - overlap // 2 + 1) * hop


def resynthesised(changed: np.ndarray, hop: int, frames: int, overlap: int = OVERLAP) -> np.ndarray:
    """Return the audio, shape (..., frames), of (changed) spectra; unchanged ones give it back."""
    window = _window(hop, overlap)
    pieces = fft.irfft(changed, n=overlap * hop, axis=-1)
    pieces *= window * (hop / (window @ window))
    times = pieces.shape[-2]
    summed = np.zeros((*pieces.shape[:-2], times + overlap - 1, hop), dtype=np.float32)
    for part in range(overlap):
        summed[..., part : part + times, :] += pieces[..., part * hop : (part + 1) * hop]
    whole = summed.reshape(*summed.shape[:-2], -1)
    return np.asarray(whole[..., (overlap - 1) * hop :][..., :frames])


def third_octave_powers(spectrum: np.ndarray) -> np.ndarray:
    """Return the mean powers of third octaves, shape (..., times, bands); six to the octave.

    spectrum : complex64, shape (..., times, bins). A band has three bins at least, two at the ends.
    """
    real, imaginary = spectrum.real, spectrum.imag
    return np.asarray((real * real + imaginary * imaginary) @ _third_octaves(spectrum.shape[-1])[0])


def over_bins(values: np.ndarray, bins: int) -> np.ndarray:
    """Return values of those third octaves at every bin, on straight lines between the centres."""
    return np.asarray(values @ _third_octaves(bins)[1])


@lru_cache(maxsize=16)
def _third_octaves(bins: int) -> tuple[np.ndarray, np.ndarray]:
    """Weights from bins to bands, and from bands to bins."""
    place = np.arange(bins)
    centres = np.unique(np.round(2 ** np.arange(0, np.log2(bins - 1) + 1 / 6, 1 / 6)))
    centres = np.concatenate([[0], centres[centres < bins - 1], [bins - 1]])[:, None]
    low = np.minimum(np.floor(centres * 2 ** (-1 / 6)), centres - 1)
    high = np.maximum(np.ceil(centres * 2 ** (1 / 6)), centres + 1)
    members = ((place >= low) & (place <= high)).astype(np.float32)
    members /= members.sum(axis=1, keepdims=True)
    spread = [np.interp(place, centres[:, 0], one) for one in np.eye(len(centres))]
    return np.ascontiguousarray(members.T), np.array(spread, dtype=np.float32)


@lru_cache(maxsize=16)
def _window(hop: int, overlap: int) -> np.ndarray:
    window = np.hanning(overlap * hop + 1)[:-1]
    return np.asarray((window if overlap == OVERLAP else np.sqrt(window)).astype(np.float32))
