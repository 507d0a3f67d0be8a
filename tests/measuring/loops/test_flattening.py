"""What dies away and what merely beats."""

import numpy as np
import pytest

from keymapper.measuring.loops import find_loop, flattened
from keymapper.measuring.loops.flattening import dies_away

TIMES = np.linspace(0, 4, 400)


@pytest.mark.parametrize("db_per_second", [0.5, 1.5, 6.0])
@pytest.mark.parametrize("ripple_db", [0.0, 0.3])
def test_a_steady_fall_dies_away(db_per_second, ripple_db):
    level = -db_per_second * TIMES + ripple_db * np.sin(2 * np.pi * 5.3 * TIMES)
    assert dies_away(10 ** (level / 10))


@pytest.mark.parametrize("phase", np.linspace(0, 2 * np.pi, 12, endpoint=False))
@pytest.mark.parametrize("beat_hz", [0.5, 0.8, 1.7])
def test_a_slow_beat_does_not(phase, beat_hz):
    level = 5 * np.sin(2 * np.pi * beat_hz * TIMES + phase)
    assert not dies_away(10 ** (level / 10))


def test_neither_does_what_grows_or_is_too_short():
    assert not dies_away(10 ** (TIMES / 10))
    assert not dies_away(10 ** (-TIMES[:10]))


def test_every_band_is_levelled_by_its_own_fall():
    rate, seconds = 44_100, np.arange(3 * 44_100) / 44_100
    harmonics = range(1, 8)
    note = sum(  # the higher, the weaker and the faster it falls
        10 ** (-k * (4 + seconds) / 20) * np.sin(2 * np.pi * 220 * k * seconds + k)
        for k in [*harmonics, 8]
    )
    samples = (0.4 * note / np.abs(note).max()).astype(np.float32)[:, None]
    verdict = find_loop(samples, rate, f0_hz=220.0)
    assert verdict.loop is not None
    level = flattened(samples, rate, verdict)
    first, last = verdict.loop.start_frame, verdict.loop.end_frame - 4410
    turns = np.outer(harmonics, np.arange(4410)) * 220 / rate
    lines = np.exp(-2j * np.pi * turns) * np.hanning(4410)

    def falls_db(audio):
        early, late = (np.abs(lines @ audio[at : at + 4410, 0]) for at in (first, last))
        return 20 * np.log10(early / late)

    assert np.all(np.abs(falls_db(level)) < 0.15 * falls_db(samples))
