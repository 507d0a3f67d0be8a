import numpy as np
import pytest

from keymapper.exporting.quantise import dequantised, quantised


@pytest.mark.parametrize("bits", [16, 24])
def test_integers_survive_unchanged(bits):
    limit = 2 ** (bits - 1)
    whole = np.array([[-limit, -1, 0, 1, limit - 1]], dtype=np.int32).T
    assert np.array_equal(quantised(dequantised(whole, bits), bits, dither=False), whole)


def test_rounding_has_no_offset():
    values = np.random.default_rng(1).uniform(-0.5, 0.5, (100_000, 1))
    error = dequantised(quantised(values, 16, dither=False), 16) - values
    assert abs(error.mean()) < 0.01 / 2**15
    assert np.abs(error).max() <= 0.5001 / 2**15


@pytest.mark.parametrize("level", [0.0, 0.25, 0.5, 0.75])
def test_dither_makes_error_mean_and_power_independent_of_the_signal(level):
    steady = np.full((200_000, 1), (100 + level) / 2**15)
    error = quantised(steady, 16, dither=True)[:, 0] - (100 + level)
    assert abs(error.mean()) < 0.01
    assert error.var() == pytest.approx(0.25, rel=0.03)


def test_dither_is_the_same_every_time():
    tone = np.sin(np.arange(1000))[:, np.newaxis] * 0.1
    assert np.array_equal(quantised(tone, 16, dither=True), quantised(tone, 16, dither=True))


def test_what_lies_beyond_full_scale_is_clipped():
    assert quantised(np.array([[2.0], [-2.0]]), 16, dither=False).ravel().tolist() == [
        32767,
        -32768,
    ]
