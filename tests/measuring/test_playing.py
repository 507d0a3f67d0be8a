"""What a player makes of a loop, frame by frame."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from keymapper.measuring.playing import played

FRAMES = 60
SOUND = np.arange(2 * FRAMES).reshape(2, FRAMES)


@given(
    start=st.integers(0, FRAMES - 1),
    length=st.integers(1, FRAMES),
    first=st.integers(-20, 200),
    count=st.integers(0, 200),
)
def test_a_player_goes_round_and_never_plays_the_end(
    start: int, length: int, first: int, count: int
) -> None:
    end = min(start + length, FRAMES)
    places = []
    for frame in range(first, first + count):
        place = max(frame, 0)
        while place >= end:
            place -= end - start
        places.append(place)
    heard = played(SOUND, start, end, first, first + count)
    assert np.array_equal(heard, SOUND[:, places])
