import numpy as np
import pytest

from keymapper.measuring.k_weighting import k_weighting


@pytest.mark.parametrize(("hz", "db"), [(55.0, -3.4), (440.0, 0.0), (1000.0, 0.7), (4000.0, 3.9)])
def test_k_weighting_at_known_frequencies(hz, db):
    gain = 10 * np.log10(k_weighting(np.array([hz]), 48_000)[0])
    assert gain == pytest.approx(db, abs=0.2)
