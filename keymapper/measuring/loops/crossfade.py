"""Baking a loop's crossfade into the audio, so that a player has nothing left to do."""

from __future__ import annotations

import numpy as np
from scipy import fft

GUARD_FRAMES = 128
EXACT_SECONDS = 0.001
OCTAVES_FROM_SECONDS = 0.020
LOWEST_OCTAVE_HZ = 125.0
ENERGY_SECONDS = 0.040
LEAST_GAIN, MOST_GAIN = 0.7, 3.0
MIRROR_SECONDS = 0.030


def crossfade_seconds(correlation: float) -> float:
    """Length of the fade a join needs: the better it matches, the shorter."""
    if correlation > 0.9995:
        return 0.004
    if correlation > 0.995:
        return 0.020
    return 0.060 if correlation > 0.92 else 0.250


def crossfaded(
    samples: np.ndarray, rate: int, start: int, end: int, fade: int, correlation: float
) -> np.ndarray:
    """Return the frames [end - fade, end): from what precedes the end into what precedes the start.

    The last millisecond is exactly what precedes the start, for players that interpolate or fade
    across the join themselves. Fades of 20 ms and more are made octave by octave, with the energy
    measured locally; shorter ones divide by the power the correlation leaves.

    samples : float, shape (frames, channels).
    """
    ahead = min(fade // 2, round(EXACT_SECONDS * rate))
    rise = np.ones((fade, 1))
    rise[: fade - ahead, 0] = np.arange(1, fade - ahead + 1) / (fade - ahead)
    if fade < OCTAVES_FROM_SECONDS * rate:
        leaving, arriving = samples[end - fade : end], samples[start - fade : start]
        power = (1 - rise) ** 2 + rise**2 + 2 * max(correlation, -0.3) * rise * (1 - rise)
        return np.asarray(((1 - rise) * leaving + rise * arriving) / np.sqrt(power))
    margin = min(fade, round(0.05 * rate))
    reach = np.zeros((fade + 2 * margin, 1))
    reach[margin : margin + fade] = rise
    reach[margin + fade :] = 1
    leaving = _octaves(_stretch(samples, end - fade - margin, end + margin), rate)
    arriving = _octaves(_stretch(samples, start - fade - margin, start + margin), rate)
    mixed = (1 - reach) * leaving + reach * arriving
    width = round(ENERGY_SECONDS * rate)
    wanted = (1 - reach) * _energy(leaving, width) + reach * _energy(arriving, width)
    gain = np.sqrt((wanted + 1e-20) / (_energy(mixed, width) + 1e-20))
    result = (mixed * np.clip(gain, LEAST_GAIN, MOST_GAIN)).sum(axis=0)
    blended = result[margin : margin + fade]
    blended[fade - ahead :] = samples[start - ahead : start]
    return np.asarray(blended)


def _stretch(samples: np.ndarray, first: int, last: int) -> np.ndarray:
    """Frames [first, last), mirrored where the note has none."""
    index = np.abs(np.arange(first, last))
    index = np.where(index >= len(samples), 2 * (len(samples) - 1) - index, index)
    return np.asarray(samples[np.clip(index, 0, len(samples) - 1)])


def _octaves(stretch: np.ndarray, rate: int) -> np.ndarray:
    """Split into octave bands that sum to the input, shape (bands, frames, channels)."""
    frames = len(stretch)
    size = fft.next_fast_len(frames, real=True)
    spectrum = fft.rfft(stretch, n=size, axis=0)
    bins = np.arange(len(spectrum)) * rate / size
    bands = max(1, int(np.log2(0.4 * rate / LOWEST_OCTAVE_HZ)))
    place = np.clip(np.log2(np.maximum(bins, 1) / LOWEST_OCTAVE_HZ), 0, bands - 1)
    parts = []
    for band in range(bands):
        near = np.clip(1 - np.abs(place - band), 0, 1)
        mask = (0.5 - 0.5 * np.cos(np.pi * near)).astype(np.float32)
        parts.append(fft.irfft(spectrum * mask[:, None], n=size, axis=0)[:frames])
    return np.stack(parts)


def _energy(bands: np.ndarray, width: int) -> np.ndarray:
    """Mean square over ``width`` frames around each frame."""
    half = width // 2
    sums = np.cumsum(bands.astype(float) ** 2, axis=1)
    sums = np.concatenate([np.zeros_like(sums[:, :1]), sums], axis=1)
    frames = bands.shape[1]
    high = np.minimum(np.arange(frames) + half + 1, frames)
    low = np.maximum(np.arange(frames) - half, 0)
    return np.asarray((sums[:, high] - sums[:, low]) / (high - low)[None, :, None])


def mirrored_release(
    samples: np.ndarray, loop_audio: np.ndarray, end: int, rate: int
) -> np.ndarray:
    """Return the recorded frames from the loop end on, faded in from what follows the loop start.

    For players that leave the loop at note-off and play on: the audio before the end leads into
    ``loop_audio`` (the frames from the loop start), the recording goes on after ``end``.
    """
    release = np.array(samples[end:])
    fade = min(
        round(MIRROR_SECONDS * rate), len(release) - GUARD_FRAMES, len(loop_audio) - GUARD_FRAMES
    )
    release[:GUARD_FRAMES] = loop_audio[:GUARD_FRAMES]
    if fade > 0:
        rise = (np.arange(1, fade + 1) / (fade + 1))[:, None]
        part = slice(GUARD_FRAMES, GUARD_FRAMES + fade)
        release[part] = (1 - rise) * loop_audio[part] + rise * release[part]
    return release
