"""With which lags the waveform of a whole sustain repeats.

A lag at which it does is a whole number of periods of the tone and of whatever moves it, be it a
beat, a vibrato, a pulse width or two of them. Of low tones the band levels do not tell: at 43 ms
they sway with single periods of the tone.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from keymapper.measuring.loops.candidates import Bounds
from keymapper.measuring.loops.period import MOST_OFF
from keymapper.measuring.loops.waveform import PRE_EMPHASIS, CoarseWave

#: Of longer lags too little of the sustain is left to compare.
LONGEST_PART = 0.8
LOWEST_HZ = 20.0
#: What repeats less surely is noise, or voices that never meet again.
LEAST_LIKENESS, SURE_LIKENESS = 0.5, 0.9
#: The best lag is one worth having: of the wanted length so much at least.
LEAST_PART_OF_WANTED = 0.5


def waveform_repeats(coarse: CoarseWave) -> np.ndarray:
    """Return the autocorrelation of a sustain at every lag in coarse frames; 1 where it repeats.

    Half of the pre-emphasis is taken back, and what is under 20 Hz left out: a pulse that moves by
    more than a frame would else be as unlike itself as any other. Channels are summed before
    normalising by the energies of both stretches.
    """
    frames = coarse.wave.shape[1]
    count = int(LONGEST_PART * frames)
    size = fft.next_fast_len(frames + count, real=True)
    spectrum = fft.rfft(coarse.wave, n=size, axis=1)
    turns = np.arange(spectrum.shape[1]) / size
    powers = (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
    powers /= np.abs(1 - PRE_EMPHASIS * np.exp(-2j * np.pi * turns))
    powers[turns * coarse.rate_hz < LOWEST_HZ] = 0
    raw = fft.irfft(powers, n=size)[:count]
    lags = np.arange(count)
    early, late = coarse.energy[frames - lags], coarse.energy[-1] - coarse.energy[lags]
    share = np.sqrt(np.maximum(early * late, 1e-24)) / max(float(coarse.energy[-1]), 1e-12)
    return np.asarray(raw / share / max(float(raw[0]), 1e-12))


def off_repeating(
    repeats: np.ndarray, lengths: np.ndarray, coarse: CoarseWave, bounds: Bounds
) -> np.ndarray:
    """Return how much less a sustain repeats with each length than with the best, at most 0.12.

    Weighted by how surely it repeats at all.

    repeats : autocorrelation at every lag in coarse frames. lengths : frames.
    """
    lags = np.rint(lengths / coarse.factor).astype(int)
    near = (lags[:, None] + np.arange(-1, 2)).clip(0, len(repeats) - 1)
    least = max(bounds.shortest_frames, round(LEAST_PART_OF_WANTED * bounds.wanted_frames))
    allowed = repeats[least // coarse.factor : bounds.longest_frames // coarse.factor + 1]
    best = float(allowed.max(initial=0.0))
    sure = np.interp(best, [LEAST_LIKENESS, SURE_LIKENESS], [0, 1])
    return np.asarray(sure * np.clip(best - repeats[near].max(axis=1), 0, MOST_OFF))
