"""Taking movement out of a loop too short for it, so that it is not heard coming round."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops.spectral import (
    hop_frames,
    over_bins,
    resynthesised,
    spectra,
    spectrum_centres,
    third_octave_powers,
)
from keymapper.model.loop import Loop

RISE_SECONDS = 0.3
FLOOR_DB = -60.0
#: Overlapping frames blur every gain, those of quick movement most: the first pass asks for more,
#: the second for what is left.
OVERSHOOTS = (1.8, 1.0)


def calmed(
    samples: np.ndarray, rate: int, first_frame: int, loop: Loop, ratio: float
) -> np.ndarray:
    """Return the audio with ``ratio`` of the movement of its third octaves taken out.

    In every frame and third octave the level is drawn towards its mean over the loop, in two
    passes, as overlapping frames blur what is asked of them. The change comes in over 0.3 s before
    the loop (not before ``first_frame``) and stays to the end.

    samples : float, shape (frames, channels).
    """
    start_frame, end_frame = loop.start_frame, loop.end_frame
    hop = hop_frames(rate)
    rise = min(round(RISE_SECONDS * rate), start_frame - first_frame)
    begin = max(0, start_frame - rise - 4 * hop)
    last = min(len(samples), end_frame + 4 * hop)
    centres = spectrum_centres(last - begin, hop) + begin
    inside = (centres >= start_frame) & (centres < end_frame)
    strength = ratio * np.clip((centres - start_frame) / max(rise, 1) + 1, 0, 1)
    changed, wanted = samples[begin:last].T, None
    for overshoot in OVERSHOOTS:
        spectrum = spectra(changed, hop)
        level = _levels(spectrum, inside)
        if wanted is None:
            mean = level[:, inside].mean(axis=1, keepdims=True)
            wanted = level - strength[:, None] * (level - mean)
        gain = np.exp(0.5 * overshoot * (wanted - level)).astype(np.float32)
        spectrum *= over_bins(gain, spectrum.shape[-1])
        changed = resynthesised(spectrum, hop, last - begin)
    first = max(0, start_frame - rise)
    result = np.array(samples)
    result[first:end_frame] = changed[:, first - begin : end_frame - begin].T
    return result


def _levels(spectrum: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Return the natural logarithm of third-octave powers, floored 60 dB under their mean."""
    power = third_octave_powers(spectrum)
    floor = power[:, inside].mean(axis=(1, 2), keepdims=True) * 10 ** (FLOOR_DB / 10) + 1e-20
    return np.asarray(np.log(power + floor))
