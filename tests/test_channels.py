"""Means and peaks over channels, against the plain definitions."""

import numpy as np
import pytest

from keymapper.channels import channel_means, frame_peaks, less_means, mono


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [1, 1000])
def test_they_are_what_numpy_says_frame_by_frame(channels, frames):
    samples = np.random.default_rng(4).normal(0.1, 0.3, (frames, channels)).astype(np.float32)
    kept = samples.copy()
    assert np.allclose(channel_means(samples), samples.mean(axis=0), atol=1e-6)
    assert np.allclose(mono(samples), samples.mean(axis=1), atol=1e-6)
    assert np.array_equal(frame_peaks(samples), np.abs(samples).max(axis=1))
    means = samples.mean(axis=0)
    assert np.array_equal(less_means(samples, means), samples - means)
    assert np.array_equal(samples, kept)


def test_nothing_has_no_mean_and_no_peaks():
    nothing = np.zeros((0, 2), np.float32)
    assert channel_means(nothing).tolist() == [0.0, 0.0]
    assert (
        len(frame_peaks(nothing)) == len(mono(nothing)) == len(less_means(nothing, np.ones(2))) == 0
    )
