"""The tail a slow note begins under, carried on as what it is: partials that die away.

Damped sinusoids from the signal subspace of what rang before (R. Roy, T. Kailath, "ESPRIT", 1989),
their strengths by least squares. What then remains is the note by itself, and noise.
"""

from __future__ import annotations

import numpy as np

from keymapper.slicing.course import FloatArray

_COARSE_HZ = 16_000
_EDGE_SECONDS = 0.003
"""Left out at both ends of what was resampled."""
_SPAN = 256
"""Coarse frames compared with each other."""
_MOST_MODES = 64
_ABOVE_NOISE = 4.0
_LEAST_SHARE = 1e-13
_FASTEST_DECAY = 200.0
"""Nepers a second: what falls faster is no tail."""
_EVERY = 3
"""Of the frames known the third part is enough for the strengths."""


def carried_on(signal: FloatArray, known: int, rate_hz: int) -> FloatArray:
    """Return what rings in the first ``known`` frames, from the first frame on to the last.

    signal : float64, shape (frames,). Zeros where nothing rings, or too little is known to tell.
    """
    modes = _modes(signal[: max(known, 0)], rate_hz)
    if len(modes) == 0 or known > len(signal):
        return np.zeros(len(signal))
    places = np.arange(0, known, _EVERY) - known
    strengths = np.linalg.lstsq(np.exp(np.outer(places, modes)), signal[:known:_EVERY], rcond=1e-10)
    courses = np.exp(np.outer(np.arange(len(signal)) - known, modes))
    return np.asarray((courses @ strengths[0]).real)


def _modes(past: FloatArray, rate_hz: int) -> FloatArray:
    """Return the complex logarithms, a frame, of the damped sinusoids a signal is made of."""
    import soxr

    factor = max(1, round(rate_hz / _COARSE_HZ))
    edge = round(_EDGE_SECONDS * rate_hz / factor)
    coarse = soxr.resample(past, factor, 1)[edge:-edge]
    if len(coarse) < 2 * _SPAN:
        return np.zeros(0)
    spans = np.lib.stride_tricks.sliding_window_view(coarse, _SPAN)
    powers, vectors = np.linalg.eigh(spans.T @ spans)
    least = max(_ABOVE_NOISE * float(np.median(powers)), _LEAST_SHARE * float(powers[-1]))
    count = min(_MOST_MODES, int(np.count_nonzero(powers > least)))
    if count == 0 or powers[-1] <= 0:
        return np.zeros(0)
    space = vectors[:, -count:]
    turns = np.linalg.lstsq(space[:-1], space[1:], rcond=None)[0]
    modes = np.log(np.linalg.eigvals(turns) + 1e-12) / factor
    modes = np.minimum(modes.real, 0) + 1j * modes.imag  # nothing that rings grows
    return np.asarray(modes[modes.real > -_FASTEST_DECAY / rate_hz])
