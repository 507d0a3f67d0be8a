"""The small network hears plain tones right, and is only loaded when it is asked."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from keymapper.measuring.pitch.second_opinion import (
    BINS,
    CENTS_PER_BIN,
    FRAME,
    LOWEST_BIN_HZ,
    RATE_HZ,
    activations,
    second_opinion,
)
from keymapper.measuring.pitch.sustain import find_sustain, mono_mix
from tests.synth import make_tone


@pytest.mark.parametrize("f0_hz", [65.4, 220.0, 880.0, 1760.0])
def test_activation_peaks_at_the_tone(f0_hz: float) -> None:
    times = np.arange(FRAME) / RATE_HZ
    frames = np.stack([np.sin(2 * np.pi * f0_hz * times + phase) for phase in (0.0, 1.0, 2.0)])
    output = activations(frames)
    assert output.shape == (3, BINS)
    peak = int(np.argmax(output.mean(axis=0)))
    heard = LOWEST_BIN_HZ * 2 ** (CENTS_PER_BIN * peak / 1200)
    assert abs(1200 * np.log2(heard / f0_hz)) < 50


def test_the_right_octave_is_liked_best() -> None:
    tone = make_tone("saw", 220.0, seconds=1.0)
    sustain = find_sustain(mono_mix(tone.samples), tone.rate_hz)
    assert sustain is not None
    opinion = second_opinion(sustain, np.array([110.0, 220.0, 440.0]))
    assert int(np.argmax(opinion)) == 1


def test_a_sure_note_loads_neither_network_nor_its_reader() -> None:
    program = (
        "import sys\n"
        "from keymapper.measuring.pitch import measure_pitch\n"
        "from tests.synth import make_tone\n"
        "tone = make_tone('saw', 220.0, seconds=1.0)\n"
        "assert not measure_pitch(tone.samples, tone.rate_hz).doubtful\n"
        "assert not {'h5py', 'librosa', 'numba', 'scipy.signal'} & sys.modules.keys()\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True)
