"""Hear what a page sends to the loudspeakers, and measure it."""

from __future__ import annotations

import base64

import numpy as np

TAP = """
(() => {
  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (target, ...rest) {
    if (target instanceof AudioDestinationNode && target.context instanceof AudioContext) {
      window.tap = new AnalyserNode(target.context, { fftSize: 32768 });
      connect.call(this, window.tap);
    }
    return connect.call(this, target, ...rest);
  };
  window.heard = (frames) => {
    if (!window.tap) return { rate: 0, bytes: "" };
    const values = new Float32Array(32768);
    window.tap.getFloatTimeDomainData(values);
    const bytes = new Uint8Array(values.slice(-frames).buffer);
    let text = "";
    for (let n = 0; n < bytes.length; n += 8192) {
      text += String.fromCharCode(...bytes.subarray(n, n + 8192));
    }
    return { rate: window.tap.context.sampleRate, bytes: btoa(text) };
  };
})();
"""
"""Run before the page: sets an analyser beside whatever is connected to the loudspeakers."""


def heard(page, frames: int = 16384) -> tuple[np.ndarray, float]:
    """Return the last frames sent to the loudspeakers, and their rate."""
    found = page.evaluate("(frames) => window.heard(frames)", frames)
    return np.frombuffer(base64.b64decode(found["bytes"]), dtype=np.float32), found["rate"]


def level_db(samples: np.ndarray) -> float:
    """Return the RMS in dB re full scale, at least -200."""
    return 20 * np.log10(max(float(np.sqrt(np.mean(samples**2))) if len(samples) else 0.0, 1e-10))


def partial_hz(samples: np.ndarray, rate: float, near_hz: float) -> float:
    """Return the frequency of the strongest partial within a semitone of a frequency.

    Quadratic interpolation of the log spectrum under a Hann window.
    """
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 4 * len(samples)))
    hz = rate / (4 * len(samples))
    low, high = int(near_hz / 1.06 / hz), int(near_hz * 1.06 / hz) + 1
    peak = low + int(np.argmax(spectrum[low:high]))
    below, here, above = np.log(spectrum[peak - 1 : peak + 2] + 1e-12)
    return float((peak + 0.5 * (below - above) / (below - 2 * here + above)) * hz)


def cents(measured_hz: float, wanted_hz: float) -> float:
    """Return how sharp a frequency is against another, in cents."""
    return float(1200 * np.log2(measured_hz / wanted_hz))


def key_hz(key: float) -> float:
    """Return the frequency of a key in equal temperament with A4 = 440 Hz."""
    return float(440 * 2 ** ((key - 69) / 12))
