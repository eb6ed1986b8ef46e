"""A `map` over worker processes that are started only where they pay, and that end with the process they work for."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context, parent_process
from typing import Final, Protocol, TypeVar

from threadpoolctl import threadpool_limits

_POOL_PAYS_S: Final = 2.0  # of work left that pays for starting other processes
Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


class WorkerMap(Protocol):
    """A `map` in this process or over several."""

    def __call__(self, function: Callable[[Item], Outcome], items: Sequence[Item], /) -> Iterable[Outcome]: ...


@contextmanager
def worker_map(workers: int | None) -> Iterator[WorkerMap]:
    """A `map` that begins in this process, and goes on over several where what is left pays for starting them.

    Parameters
    ----------
    workers : processes; None: as many as cores, started only where that pays.
    """
    n_workers = workers or os.cpu_count() or 1
    pool: ProcessPoolExecutor | None = None

    def run(function: Callable[[Item], Outcome], items: Sequence[Item], /) -> Iterator[Outcome]:
        nonlocal pool
        start = time.perf_counter()
        for i, item in enumerate(items):
            left = len(items) - i
            pays = i > 0 and (time.perf_counter() - start) / i * left > _POOL_PAYS_S
            if n_workers > 1 and (pool is not None or pays or (workers is not None and left > 1)):
                if pool is None:
                    pool = ProcessPoolExecutor(n_workers, get_context("spawn"), initializer=prepare_worker)
                yield from pool.map(function, items[i:], chunksize=max(1, left // (8 * n_workers)))
                return
            yield function(item)

    try:
        with threadpool_limits(1):  # the matrices are small: threads would only wait for one another
            yield run
    finally:
        if pool is not None:
            pool.shutdown(cancel_futures=True)


def prepare_worker() -> None:
    """Make this process a good worker of a pool.

    It is one of several, so its array libraries need no threads of their own; Ctrl-C is for the process that it works
    for to answer; and when that one is gone, however it ended, so is the worker.
    """
    threadpool_limits(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
