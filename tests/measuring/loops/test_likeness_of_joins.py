"""Whether what surrounds a join is like anything the note does by itself."""

from __future__ import annotations

import numpy as np

from keymapper.measuring.loops.likeness import measure_moments, unlikeness

REACH = 4


def test_what_lies_just_between_start_and_end_of_a_brief_loop_may_be_left_out() -> None:
    middle = 24
    levels = np.abs(np.arange(60) - middle)[:, None].astype(np.float32)
    join = levels[None, middle - REACH : middle + REACH + 1]
    moments = measure_moments(levels, 0.01, reach=REACH, every=1, least_db=0.6)
    starts, ends = np.array([middle - REACH]), np.array([middle + REACH])
    assert unlikeness(moments, join, starts, ends) == 0
    assert unlikeness(moments, join, starts, ends, apart_hops=2) > 1
