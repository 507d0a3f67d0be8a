"""Baking a loop's crossfade into the audio, so that a player has nothing left to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.measuring.loops.spectral import (
    hop_frames,
    over_bins,
    resynthesised,
    spectra,
    spectrum_centres,
    third_octave_powers,
)

GUARD_FRAMES = 128
EXACT_SECONDS = 0.001
QUIET_SECONDS, QUIET_FROM_SECONDS = 0.012, 0.060
BANDS_FROM_SECONDS = 0.020
EDGE_SECONDS = 0.010
LOWEST_OCTAVE_HZ = 250.0
CONTEXT_SECONDS = 0.080
MARGIN_HOPS = 3
LEAST_CORRELATION = -0.3
LEAST_GAIN, MOST_GAIN = 0.7, 3.0
MIRROR_SECONDS = 0.030
FADE_CORRELATIONS = (0.96, 0.98, 0.995, 0.9995, 0.9996)
FADE_SECONDS = (0.25, 0.1, 0.06, 0.02, 0.004)


def crossfade_seconds(correlation: float) -> float:
    """Length of the fade a join needs: the better it matches, the shorter."""
    return float(np.interp(correlation, FADE_CORRELATIONS, FADE_SECONDS))


def fade_frames(correlation: float, length: int, lead: int, rate: int) -> int:
    """Frames of fade for a loop: at most half of it, and no more than ``lead`` before its start."""
    return max(0, min(round(crossfade_seconds(correlation) * rate), length // 2, lead))


def crossfaded(samples: np.ndarray, rate: int, start: int, end: int, fade: int) -> np.ndarray:
    """Return the frames [end - fade, end): from what precedes the end into what precedes the start.

    The last millisecond is exactly what precedes the start, for players that interpolate or fade
    across the join themselves; of a fade of 60 ms and more 12 ms are, so that no trace of what was
    left sounds between the pulses of a low note. Fades of 20 ms and more keep the locally measured
    energy band by band; shorter ones follow the correlation of each octave.

    samples : float, shape (frames, channels).
    """
    return crossfades(samples, rate, start, end, [fade])[0]


def crossfades(
    samples: np.ndarray, rate: int, start: int, end: int, fades: Sequence[int]
) -> list[np.ndarray]:
    """Return crossfades of several lengths for one loop, which share their analysis."""
    long = [fade for fade in fades if fade >= BANDS_FROM_SECONDS * rate]
    meeting = _meeting(samples, hop_frames(rate), start, end, max(long)) if long else None
    return [
        _octave_fade(samples, rate, start, end, _rise(fade, rate))
        if meeting is None or fade < BANDS_FROM_SECONDS * rate
        else _band_fade(meeting, rate, _rise(fade, rate))
        for fade in fades
    ]


def _rise(fade: int, rate: int) -> np.ndarray:
    """Share of what arrives in every frame of a fade, shape (fade, 1)."""
    rise = np.ones((fade, 1), dtype=np.float32)
    before = fade - _exact_frames(fade, rate)
    rise[:before, 0] = np.arange(1, before + 1) / before
    return rise


def _exact_frames(fade: int, rate: int) -> int:
    exact = QUIET_SECONDS if fade >= QUIET_FROM_SECONDS * rate else EXACT_SECONDS
    return min(fade // 2, round(exact * rate))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Meeting:
    """What precedes a loop's end and its start, up to ``MARGIN_HOPS`` hops after them.

    ``stretches`` : float32, shape (2, frames, channels); ``powers`` of their third octaves, shape
    (2, channels, times, bands).
    """

    stretches: np.ndarray
    powers: np.ndarray
    hop: int


def _meeting(samples: np.ndarray, hop: int, start: int, end: int, longest: int) -> _Meeting:
    hops = -(-longest // hop) + MARGIN_HOPS
    stretches = np.stack(
        [_stretch(samples, at - hops * hop, at + MARGIN_HOPS * hop) for at in (end, start)]
    )
    powers = third_octave_powers(spectra(stretches.transpose(0, 2, 1), hop))
    return _Meeting(stretches=stretches, powers=powers, hop=hop)


def _band_fade(meeting: _Meeting, rate: int, rise: np.ndarray) -> np.ndarray:
    """Fade linearly, and give every third octave back what the mix lacks of its energy."""
    fade, margin = len(rise), MARGIN_HOPS * meeting.hop
    first = meeting.stretches.shape[1] - margin - fade
    leaving, arriving = meeting.stretches[:, first : first + fade]
    mixed = (1 - rise) * leaving + rise * arriving
    distance = np.minimum(np.arange(fade), np.arange(fade)[::-1] - _exact_frames(fade, rate))
    taper = np.minimum(1, distance.clip(min=0) / (EDGE_SECONDS * rate)).astype(np.float32)
    return np.asarray(mixed + taper[:, None] * _energy_lost(meeting, rise))


def _octave_fade(
    samples: np.ndarray, rate: int, start: int, end: int, rise: np.ndarray
) -> np.ndarray:
    """Fade over a short stretch by the law each octave's own correlation asks for.

    Power of the mix: (1-f)^2 Ea + f^2 Eb + 2 f (1-f) Cab; wanted: (1-f) Ea + f Eb.
    """
    context = round(CONTEXT_SECONDS * rate)
    fade = len(rise)
    leaving = _octaves(_stretch(samples, end - context, end + context // 4), rate)
    arriving = _octaves(_stretch(samples, start - context, start + context // 4), rate)
    energy = [np.mean(part[:, :context] ** 2, axis=1) for part in (leaving, arriving)]
    common = np.mean(leaving[:, :context] * arriving[:, :context], axis=1)
    common = np.maximum(common, LEAST_CORRELATION * np.sqrt(energy[0] * energy[1]))
    f = rise[None]
    before, after, shared = (part[:, None] for part in (*energy, common))
    wanted = (1 - f) * before + f * after
    power = (1 - f) ** 2 * before + f**2 * after + 2 * f * (1 - f) * shared
    part = slice(context - fade, context)
    mixed = (1 - f) * leaving[:, part] + f * arriving[:, part]
    return np.asarray((mixed * np.sqrt((wanted + 1e-20) / (power + 1e-20))).sum(axis=0))


def _octaves(stretch: np.ndarray, rate: int) -> np.ndarray:
    """Split into octave bands that sum to the input, shape (bands, frames, channels)."""
    frames = len(stretch)
    size = fft.next_fast_len(frames, real=True)
    spectrum = fft.rfft(stretch, n=size, axis=0)
    bins = np.arange(len(spectrum)) * rate / size
    bands = max(1, int(np.log2(0.4 * rate / LOWEST_OCTAVE_HZ)))
    place = np.clip(np.log2(np.maximum(bins, 1) / LOWEST_OCTAVE_HZ), 0, bands - 1)
    near = np.clip(1 - np.abs(place - np.arange(bands)[:, None]), 0, 1)
    masks = (0.5 - 0.5 * np.cos(np.pi * near)).astype(np.float32)
    return np.asarray(fft.irfft(spectrum * masks[:, :, None], n=size, axis=1)[:, :frames])


def _stretch(samples: np.ndarray, first: int, last: int) -> np.ndarray:
    """Frames [first, last), mirrored where the note has none."""
    if first >= 0 and last <= len(samples):
        return np.asarray(samples[first:last], dtype=np.float32)
    index = np.abs(np.arange(first, last))
    index = np.where(index >= len(samples), 2 * (len(samples) - 1) - index, index)
    return np.asarray(samples[np.clip(index, 0, len(samples) - 1)], dtype=np.float32)


def _energy_lost(meeting: _Meeting, rise: np.ndarray) -> np.ndarray:
    """Return what the linear mix lacks for every band to keep the energy of both parts.

    Hann frames with 75 % overlap; in each frame and third octave the gain is
    sqrt(((1 - f) Ea + f Eb) / E_mix).
    """
    hop, fade = meeting.hop, len(rise)
    hops = -(-fade // hop) + MARGIN_HOPS
    leaving, arriving = meeting.stretches[:, -(hops + MARGIN_HOPS) * hop :]
    frames = len(leaving)
    before = frames - MARGIN_HOPS * hop - fade
    reach = np.ones((frames, 1), dtype=np.float32)
    reach[:before] = 0
    reach[before : before + fade] = rise
    mixed = spectra((leaving + reach * (arriving - leaving)).T, hop)
    part = reach[np.clip(spectrum_centres(frames, hop), 0, frames - 1)]
    first, second = meeting.powers[:, :, -mixed.shape[1] :]
    wanted = (1 - part) * first + part * second
    gain = np.sqrt((wanted + 1e-20) / (third_octave_powers(mixed) + 1e-20))
    gain = np.clip(gain, LEAST_GAIN, MOST_GAIN) - 1
    mixed *= over_bins(gain, mixed.shape[-1])
    return np.asarray(resynthesised(mixed, hop, frames)[:, before : before + fade].T)


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
