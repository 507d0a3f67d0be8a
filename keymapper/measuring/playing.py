"""A looped sound as a player makes it."""

from __future__ import annotations

import numpy as np


def played(samples: np.ndarray, start: int, end: int, first: int, last: int) -> np.ndarray:
    """Return frames [first, last) of the sound a player makes: the head, then the loop for ever.

    Before frame 0 the first one goes on.

    samples : float, shape (channels, frames). start, end : of the loop, half-open.
    """
    pieces, at = [np.repeat(samples[:, :1], max(0, min(last, 0) - first), axis=1)], max(first, 0)
    while at < last:
        place = at if at < end else start + (at - start) % (end - start)
        count = min(end - place, last - at)
        pieces.append(samples[:, place : place + count])
        at += count
    return np.concatenate(pieces, axis=1)
