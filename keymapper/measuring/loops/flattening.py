"""Taking a gentle decay out of the audio, so that a long loop of it stays level."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops.features import (
    STRETCHES,
    BandPowers,
    band_edges_hz,
    slope_certainty,
    stretch_means,
)
from keymapper.measuring.loops.spectral import (
    hop_frames,
    resynthesised,
    spectra,
    spectrum_centres,
)
from keymapper.model.loop import Flattening, Loop

LEAST_TREND_DB = 0.3
LARGEST_GAIN_DB = 30.0
#: Of a band's power: so much it counts in the drift of its neighbours.
SAY_OF_POWER = 0.3
HALVES = 2
LEAD_SECONDS = 0.15
SURE_CERTAINTY = 3.0


def find_flattening(
    levelled_db: np.ndarray,
    bands: BandPowers,
    loop: Loop,
    fade_frames: int,
    first_frame: int,
    rate: int,
) -> Flattening | None:
    """Return the trend to take out of a loop's audio; None when there is next to none.

    levelled_db : float, shape (views x bands,): the drift over one loop to be taken out.
    """
    seconds = loop.length_frames / rate
    trend = float(np.sqrt(np.mean(levelled_db**2)))
    if trend * max(1.0, 1.0 / seconds) < LEAST_TREND_DB:
        return None
    views, _, count = bands.powers.shape
    drift = levelled_db.reshape(views, count)[: min(2, views)].mean(axis=0)
    power = bands.powers[: min(2, views)].mean(axis=(0, 1), dtype=float) + 1e-20
    say = power**SAY_OF_POWER  # no empty band bends one that sounds
    smooth = _smoothed(say * drift) / _smoothed(say)
    whole = 10 * np.log10(float(power @ 10 ** (smooth / 10)) / float(power.sum()))
    start = max(first_frame, loop.start_frame - fade_frames - round(LEAD_SECONDS * rate))
    dies = dies_away(bands.powers[: min(2, views)].mean(axis=0).sum(axis=1))
    return Flattening(
        start_frame=start,
        loop_gain_db=round(_loop_gain_db(bands, loop, -smooth / seconds, start, rate), 2),
        decay_db_per_second=round(max(0.0, float(-whole / seconds)), 3) if dies else 0.0,
        band_decays_db_per_second=tuple(round(-float(fall) / seconds, 2) for fall in smooth),
    )


def _smoothed(values: np.ndarray) -> np.ndarray:
    """Means over each band and its neighbours."""
    return np.convolve(np.pad(values, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid")


def _loop_gain_db(
    bands: BandPowers, loop: Loop, decays: np.ndarray, start_frame: int, rate: int
) -> float:
    """Return by how much flattening makes the loop louder, from its band powers."""
    frames = bands.first_frame + np.arange(bands.powers.shape[1]) * bands.hop_frames
    inside = (frames >= loop.start_frame) & (frames < loop.end_frame)
    power = bands.powers[: min(2, len(bands.powers)), inside].mean(axis=0, dtype=float)
    raised = power * 10 ** ((frames[inside, None] - start_frame) / rate * decays / 10)
    return float(10 * np.log10((raised.sum() + 1e-20) / (power.sum() + 1e-20)))


def dies_away(power: np.ndarray) -> bool:
    """Return whether a sustain surely falls as a whole, and does not merely beat slowly.

    The levels of eight stretches of it fall along a line whose slope is at least three times its
    standard error.

    power : float, shape (times,): of the sustain, evenly spaced.
    """
    if len(power) < 2 * STRETCHES:
        return False
    level_db = 10 * np.log10(stretch_means(power) + 1e-20)
    return bool(slope_certainty(level_db[:, None])[0] < -SURE_CERTAINTY)


def flatten(samples: np.ndarray, rate: int, flattening: Flattening, end_frame: int) -> np.ndarray:
    """Return the audio with the trend taken out from ``start_frame`` to ``end_frame``.

    A time-varying equaliser: frames of 43 ms with 50 % overlap, each bin raised by its
    band's decay times the time since the start, at most 30 dB; after the end the gain stays.
    Frames before the start are untouched.

    samples : float, shape (frames, channels), full scale 1.0.
    """
    hop = HALVES * hop_frames(rate)
    start = flattening.start_frame
    before = min(start, HALVES * hop)
    part = samples[start - before :].T.astype(np.float32)
    centres = spectrum_centres(part.shape[1], hop, HALVES) - before
    seconds = (np.clip(centres, 0, max(0, end_frame - start)) / rate).astype(np.float32)
    gain = np.outer(seconds, _decay_of_bins(flattening, HALVES * hop, rate))
    np.clip(gain, -LARGEST_GAIN_DB, LARGEST_GAIN_DB, out=gain)
    gain *= np.float32(np.log(10) / 20)
    np.exp(gain, out=gain)
    spectrum = spectra(part, hop, HALVES)
    spectrum *= gain
    flat = np.array(samples)
    flat[start:] = resynthesised(spectrum, hop, part.shape[1], HALVES)[:, before:].T
    return flat


def _decay_of_bins(flattening: Flattening, window_frames: int, rate: int) -> np.ndarray:
    edges_hz = band_edges_hz(rate)
    centres = (edges_hz[:-1] + edges_hz[1:]) / 2
    bins = np.arange(window_frames // 2 + 1) * rate / window_frames
    return np.interp(
        np.log2(bins + 20), np.log2(centres + 20), flattening.band_decays_db_per_second
    ).astype(np.float32)
