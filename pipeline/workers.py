"""A `map` over worker processes that are started only where they pay, and that end with the process they work for."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context, parent_process
from multiprocessing.process import BaseProcess
from typing import Final, Protocol, TypeVar

from threadpoolctl import threadpool_limits

_POOL_PAYS_S: Final = 1.5  # of work left that pays for starting other processes
_WAITING_EACH: Final = 3  # items that lie ready for each of them
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
    n_others = (workers or os.cpu_count() or 1) - 1
    pool: ProcessPoolExecutor | None = None

    def run(function: Callable[[Item], Outcome], items: Sequence[Item], /) -> Iterator[Outcome]:
        """This process works from the front, the others from the back; so it need not wait until they have started."""
        nonlocal pool
        start = time.perf_counter()
        elsewhere: deque[Future[Outcome]] = deque()  # of the last items, the last one first
        stop = len(items)  # of the items that nobody has taken yet
        i = 0
        while i < stop:
            pays = i > 0 and (time.perf_counter() - start) / i * (stop - i) > _POOL_PAYS_S
            if n_others > 0 and stop - i > 1 and (pool is not None or pays or workers is not None):
                pool = pool or ProcessPoolExecutor(n_others, get_context("spawn"), initializer=prepare_worker)
                n_waiting = sum(not future.done() for future in elsewhere)
                for _ in range(min(_WAITING_EACH * n_others - n_waiting, stop - i - 1)):
                    stop -= 1
                    elsewhere.append(pool.submit(function, items[stop]))
            yield function(items[i])
            i += 1
        while elsewhere:
            yield elsewhere.pop().result()

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
    end_with_parent()


def end_with_parent() -> None:
    """From now on this process ends when the one that started it is gone; nothing changes in one that has no such."""
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)
