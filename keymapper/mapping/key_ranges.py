"""Which keys a recorded note plays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

from keymapper.model.keys import HIGHEST_KEY, LOWEST_KEY
from keymapper.model.recipe import ZoneSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRange:
    """Keys low_key … high_key, both played."""

    root_key: int
    low_key: int
    high_key: int


def key_ranges(root_keys: Sequence[int], settings: ZoneSettings) -> tuple[KeyRange, ...]:
    """Return one range for each distinct root, rising, without overlap.

    There is no gap between them but for keys that no root reaches within `settings.farthest`.

    With the split "nearest" a key midway between two roots goes to the lower one: played upwards
    a sample gets brighter and shorter, which is heard less than downwards. "upwards" lets each
    root play up to the next, "downwards" down to the last.
    """
    roots = sorted(set(root_keys))
    if not roots:
        return ()
    highs = [_last_key(low, high, settings) for low, high in pairwise(roots)]
    highs.append(min(HIGHEST_KEY, roots[-1] + settings.reach_above))
    lows = [max(LOWEST_KEY, roots[0] - settings.reach_below), *(high + 1 for high in highs[:-1])]
    return tuple(
        KeyRange(
            root_key=root,
            low_key=max(low, root - settings.farthest),
            high_key=min(high, root + settings.farthest),
        )
        for root, low, high in zip(roots, lows, highs, strict=True)
    )


class PlaysKeys(Protocol):
    """Whatever plays keys from a lowest to a highest one."""

    @property
    def low_key(self) -> int:
        """The lowest."""

    @property
    def high_key(self) -> int:
        """The highest, played too."""


def share_keys(one: PlaysKeys, other: PlaysKeys) -> bool:
    """Tell whether two play any key both."""
    return one.low_key <= other.high_key and other.low_key <= one.high_key


def silent_keys(ranges: Sequence[KeyRange]) -> tuple[int, ...]:
    """Return the keys between the lowest and the highest range that nothing plays."""
    played = {key for one in ranges for key in range(one.low_key, one.high_key + 1)}
    return tuple(key for key in range(min(played), max(played) + 1) if key not in played)


def _last_key(root: int, next_root: int, settings: ZoneSettings) -> int:
    """Highest key of the lower of two neighbours."""
    if settings.split == "upwards":
        return next_root - 1
    if settings.split == "downwards":
        return root
    return (root + next_root) // 2
