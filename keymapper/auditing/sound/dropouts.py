"""Dropouts: stretches of digital nothing where the note sounds before and after."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from keymapper.channels import frame_peaks
from keymapper.model.sample_facts import Span

SHORTEST_SECONDS = 0.0006
LONGEST_SECONDS = 0.5
NOTHING = 2.5 / 32768
NOTHING_STEPS = 1.5
PEAK_FRAMES, PEAK_OVER_NOTHING = 4, 2.0
"""A peak of faint noise, so short and low, parts no run."""
OVER_NOTHING = 10.0
OVER_STEPS = 8.0
BESIDE = 0.25
NEAR_SECONDS = 0.005
UNDER_BODY_DB = 26.0
GATE_COUNT = 6
GATE_UNEVENNESS = 0.08


def find_dropouts(
    samples: np.ndarray, rate: int, sounding: tuple[int, int], step: float
) -> tuple[Span, ...]:
    """Return the runs of zeros, 0.6 to 500 ms long, that cut into the sound.

    On both sides the 5 ms next to a run must lie within 26 dB of the note's level, as nothing
    that fades does, and the wave must break off: within a quarter of the run it lies far over it.
    A wave that lingers at zero comes and goes slowly: a smooth one has by then grown to some four
    times what it was in the run. Zeros at even distances are a gate, not a fault.

    samples : float, shape (frames, channels), as stored (DC and all).
    sounding : half-open frames from onset to end.
    step : of the numbers in the file.
    """
    from scipy.ndimage import binary_closing

    start, end = sounding
    sound = samples[start:end]
    if len(sound) < 3:
        return ()
    nothing = max(NOTHING, NOTHING_STEPS * step)
    peaks = frame_peaks(sound)
    quiet = peaks <= nothing
    quiet |= binary_closing(quiet, np.ones(PEAK_FRAMES + 1)) & (
        peaks <= PEAK_OVER_NOTHING * nothing
    )
    edges = np.flatnonzero(np.diff(np.concatenate([[0], quiet.astype(np.int8), [0]])))
    runs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    near = round(NEAR_SECONDS * rate)
    level = float(np.sqrt(np.mean(np.square(sound, dtype=np.float64)))) * 10 ** (
        -UNDER_BODY_DB / 20
    )
    least = max(OVER_NOTHING * NOTHING, OVER_STEPS * step)
    level = max(level, OVER_NOTHING * NOTHING)
    found = [
        Span(start_frame=start + first, end_frame=start + last)
        for first, last in runs
        if SHORTEST_SECONDS * rate <= last - first <= LONGEST_SECONDS * rate
        and _rms(sound[max(0, first - near) : first]) > level
        and _rms(sound[last : last + near]) > level
        and _breaks_off(peaks, first, last, least)
    ]
    return () if _is_gate(found) else tuple(found)


def _breaks_off(peaks: np.ndarray, first: int, last: int, least: float) -> bool:
    """Tell whether the wave rises over a level next to a run, on both sides."""
    beside = max(1, round(BESIDE * (last - first)))
    before, after = peaks[max(0, first - beside) : first], peaks[last : last + beside]
    return bool(min(before.max(initial=0.0), after.max(initial=0.0)) > least)


def _rms(samples: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(samples)))) if samples.size else 0.0


def _is_gate(spans: list[Span]) -> bool:
    if len(spans) < GATE_COUNT:
        return False
    distances = np.array([b.start_frame - a.start_frame for a, b in pairwise(spans)])
    return bool(distances.std() < GATE_UNEVENNESS * distances.mean())
