"""Spread work over processes; the results come in the order of the work.

Every process, this one too, keeps its linear algebra to one thread: the same sums in the same
order, whatever the number of workers.
"""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

import threadpoolctl

Work = TypeVar("Work")
Result = TypeVar("Result")

_PATIENCE_SECONDS = 1.0
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""Parameters of glibc's `mallopt`: what lies free before it is given back; what is mapped alone."""
_MOST_KEPT_BYTES, _LARGEST_KEPT_BYTES = 2**27, 2**25
ENDING_SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)
)
"""Beside Ctrl-C: being asked to end, the terminal gone. Windows has no SIGHUP."""


class Workers:
    """Runs functions over sequences, in this process or in several.

    Use as a context; leaving it by an exception drops whatever has not started.
    """

    def __init__(self, count: int | None = None) -> None:
        self.count = count or available_cores()
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Workers:
        if self.count > 1:
            context = multiprocessing.get_context(_start_method())
            try:
                with _interrupts_held():
                    self._pool = ProcessPoolExecutor(self.count, context, _start_worker)
                    self._pool.submit(_nothing)
            except BaseException:
                self.__exit__()
                raise
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None

    def run(self, function: Callable[[Work], Result], work: Sequence[Work]) -> Iterator[Result]:
        """Return function(item) for every item, in order; several processes start at once."""
        if self._pool is None or len(work) < 2:
            return _run_here(function, work)
        return self._pool.map(function, work)


def _run_here(function: Callable[[Work], Result], work: Sequence[Work]) -> Iterator[Result]:
    with threadpoolctl.threadpool_limits(1):
        yield from map(function, work)


def available_cores() -> int:
    """Return how many cores this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def _start_method() -> str:
    """Forking starts at once and needs nothing of the calling script; elsewhere it is unsafe."""
    return "fork" if sys.platform == "linux" else "spawn"


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Let Ctrl-C and the like wait: an interrupt that falls into a fork would be lost."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, *ENDING_SIGNALS})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _nothing() -> None:
    """Start the processes, which wait for the first work."""


def _start_worker() -> None:
    """Leave signals to the parent, which ends its workers."""
    for one in (signal.SIGINT, *ENDING_SIGNALS):
        signal.signal(one, _end_soon if one == signal.SIGTERM else signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING_SIGNALS)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    threadpoolctl.threadpool_limits(1)
    keep_freed_memory()


def _end_soon(_number: int, _frame: object) -> None:
    """Let the parent, which may have been asked to end as well, drop the work in good order first.

    The pool itself ends workers so when one of them is lost.
    """
    end = threading.Timer(_PATIENCE_SECONDS, os._exit, (1,))
    end.daemon = True
    end.start()


def _end_with_parent() -> None:
    """End this process when the one that started it is gone, however it went."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def keep_freed_memory(
    most_bytes: int = _MOST_KEPT_BYTES, largest_bytes: int = _LARGEST_KEPT_BYTES
) -> None:
    """Have the next arrays use the memory of the last: a tenth of the time went there.

    Where the C library is not glibc, it goes its own way.

    most_bytes : where more is free, it is given back. largest_bytes : of an array that is kept.
    """
    if sys.platform == "linux":
        mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
        if mallopt is not None:
            mallopt(_MMAP_THRESHOLD, largest_bytes)
            mallopt(_TRIM_THRESHOLD, most_bytes)
