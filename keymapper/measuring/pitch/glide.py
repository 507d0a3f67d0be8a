"""The slide of an attack into its pitch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from keymapper.measuring.pitch.partials import CENTS_PER_RATIO
from keymapper.measuring.pitch.spectra import hann_window
from keymapper.measuring.pitch.spectral import peak_offsets
from keymapper.measuring.pitch.sustain import Array

ATTACK_SECONDS = 0.5
FRAME_PERIODS = 4.0
LEAST_FRAME_SECONDS = 0.01
HOPS_A_FRAME = 8
REACH = 2 ** (10 / 12)
LEAST_HEIGHT = 0.75
SETTLED_CENTS = 5.0
LEAST_GLIDE_CENTS = 15.0
LEAST_STEPS = 3
LEAST_FALL = 1.4
LAG_COST_PER_OCTAVE = 0.06
MEDIAN_STEPS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Glide:
    """Where the attack starts, in cents above the pitch, and when it has settled."""

    cents: float
    settle_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AttackTrack:
    """Pitch of short frames after the onset: centres, cents, and height of the correlation."""

    seconds: Array
    cents: Array
    heights: Array


def attack_track(mono: Array, rate_hz: float, f0_hz: float) -> AttackTrack | None:
    """Return the pitch of the first half second, within ten semitones of ``f0_hz``.

    Autocorrelation over the window's own (Boersma 1993, eq. 9) in frames of four periods; None
    when the sound is shorter than two frames.

    mono : shape (frames,), from the onset on.
    """
    length = round(max(FRAME_PERIODS / f0_hz, LEAST_FRAME_SECONDS) * rate_hz)
    sound = mono[: round(ATTACK_SECONDS * rate_hz) + length]
    shortest, longest = int(rate_hz / f0_hz / REACH), int(rate_hz / f0_hz * REACH) + 2
    if len(sound) < 2 * length or shortest < 2:
        return None
    hop = max(1, length // HOPS_A_FRAME)
    frames = np.lib.stride_tricks.sliding_window_view(sound, length)[::hop]
    size = fft.next_fast_len(length + longest + 1, real=True)
    window, own = hann_window(length, 2 * length)
    spectra = fft.rfft(frames * window, size, axis=1)
    nac = fft.irfft(spectra.real**2 + spectra.imag**2, size, axis=1)
    lags = np.arange(shortest - 1, min(longest + 1, len(own)))
    nac = nac[:, lags] / (nac[:, :1] + 1e-20) / own[lags]
    rows = np.arange(len(nac))
    preferred = nac - LAG_COST_PER_OCTAVE * np.log2(lags / lags[0])
    top = np.clip(np.argmax(preferred, axis=1), 1, nac.shape[1] - 2)
    left, middle, right = nac[rows, top - 1], nac[rows, top], nac[rows, top + 1]
    lag = lags[top] + peak_offsets(left, middle, right)
    return AttackTrack(
        seconds=(rows * hop + length / 2) / rate_hz,
        cents=CENTS_PER_RATIO * np.log(rate_hz / lag / f0_hz),
        heights=middle,
    )


def find_glide(track: AttackTrack, swing_cents: float) -> Glide | None:
    """Return the slide of the attack, or None when there is none.

    The run of periodic frames from the first that stay on one side of the pitch by more than
    5 cents beyond the vibrato, approaching it; a straight line through its first half gives the
    start.

    swing_cents : depth of the vibrato, 0 without.
    """
    periodic = np.flatnonzero(track.heights > LEAST_HEIGHT)
    if len(periodic) < 2 * LEAST_STEPS:
        return None
    seconds = track.seconds[periodic]
    padded = np.pad(track.cents[periodic], MEDIAN_STEPS // 2, mode="edge")
    away = np.median(np.lib.stride_tricks.sliding_window_view(padded, MEDIAN_STEPS), axis=1)
    outside = np.sign(away[0]) * away > SETTLED_CENTS + swing_cents
    steps = len(away) if outside.all() else int(np.argmin(outside))
    if steps < LEAST_STEPS or steps == len(away):
        return None
    run = np.abs(away[:steps])
    half = max(steps // 2, 3)
    _, level = np.polyfit(seconds[:half], away[:half], 1)
    start = float(level) if abs(level) > run[0] else float(away[0])
    falls = run[: steps // 2].mean() > LEAST_FALL * run[steps // 2 :].mean()
    if not falls or abs(start) < LEAST_GLIDE_CENTS:
        return None
    return Glide(cents=start, settle_seconds=float(seconds[steps]))
