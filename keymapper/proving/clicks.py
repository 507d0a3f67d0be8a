"""How far a click stands out of a sound, in dB over what the sound does by itself."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

FLOOR_DB = -20.0
_FRAME_SECONDS = 0.004
_EVENT_SECONDS = 0.006
_OWN_SECONDS = 0.060
_MASKED_DB = 50.0
_BAND_EDGES_HZ = (1000.0, 2000.0, 4000.0, 8000.0, 16000.0, 96000.0)
_STEP_SECONDS = 0.005
_SOFTEST_STEP_DB = -50.0


def start_click_db(sound: np.ndarray, start_frame: int, rate: int) -> float:
    """Return how far the first step out of silence stands over the sound's own steps, in dB.

    The step into frame `start_frame` against the largest step from frame to frame in the 5 ms
    after it, or against 50 dB under the peak where that is more. At least -20.

    sound : float, shape (frames, channels).
    """
    after = sound[start_frame : start_frame + max(3, round(_STEP_SECONDS * rate))]
    if not len(after):
        return FLOOR_DB
    first = float(np.abs(after[0]).max())
    own = float(np.abs(np.diff(after, axis=0)).max(initial=0.0))
    softest = float(np.abs(sound).max()) * 10.0 ** (_SOFTEST_STEP_DB / 20.0)
    return _ratio_db(first, max(own, softest))


def cut_click_db(sound: np.ndarray, event_frame: int, rate: int) -> float:
    """Return how far a fade or cut at `event_frame` stands out of the sound around it, in dB.

    Levels in octave bands from 1 kHz on, in windows of 4 ms: the loudest within 6 ms after the
    event against the loudest of 60 ms before and after, or against 50 dB under the sound's level
    (softer sidebands are masked by the note itself). The worst band counts. At least -20.

    sound : float, shape (frames, channels).
    """
    size = round(_FRAME_SECONDS * rate)
    hop = max(1, size // 4)
    reach, event = round(_OWN_SECONDS * rate), round(_EVENT_SECONDS * rate)
    first = max(0, event_frame - reach - size)
    piece = sound[first : event_frame + event + reach + size].astype(np.float64)
    if len(piece) < size or event_frame <= first:
        return FLOOR_DB
    windows = np.lib.stride_tricks.sliding_window_view(piece, size, axis=0)[::hop]
    power = (np.abs(np.fft.rfft(windows * np.hanning(size), axis=2)) ** 2).sum(axis=1)
    begins = first + hop * np.arange(len(power))
    at_event = (begins + size > event_frame) & (begins < event_frame + event)
    if not at_event.any() or at_event.all():
        return FLOOR_DB
    frequencies = np.fft.rfftfreq(size, 1.0 / rate)
    masked = power.sum(axis=1).max() * 10.0 ** (-_MASKED_DB / 10.0)
    worst = FLOOR_DB
    for low, high in pairwise(_BAND_EDGES_HZ):
        band = power[:, (frequencies >= low) & (frequencies < high)].sum(axis=1)
        own = max(float(band[~at_event].max()), float(masked))
        worst = max(worst, _ratio_db(float(band[at_event].max()) ** 0.5, own**0.5))
    return worst


def _ratio_db(amplitude: float, own: float) -> float:
    if amplitude <= 0.0 or own <= 0.0:
        return FLOOR_DB
    return max(FLOOR_DB, float(20.0 * np.log10(amplitude / own)))
