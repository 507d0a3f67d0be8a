"""Work that leaves Python (transforms, matrix products) done on both cores by threads."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

import threadpoolctl

Item = TypeVar("Item")
Result = TypeVar("Result")

_THREADS, _MOST_WAITING = 2, 8
"""Beside one that takes long, so many others are done."""


def side_by_side(work: Callable[[Item], Result], items: Iterable[Item]) -> Iterator[Result]:
    """Yield the work done on every item, in order; only a few items are held at a time.

    The items themselves are made one after the other, by the thread that asks for the results.
    """
    waiting: deque[Future[Result]] = deque()
    one_each = threadpoolctl.threadpool_limits(1)  # not every thread on every core
    with one_each, ThreadPoolExecutor(_THREADS) as pool:
        for item in items:
            waiting.append(pool.submit(work, item))
            if len(waiting) > _MOST_WAITING:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
