"""A `map` over worker processes that are started only where they pay, and that end with the process they work for."""

from __future__ import annotations

import importlib
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import get_context, parent_process
from multiprocessing.process import BaseProcess
from typing import Final, Protocol, TypeVar

from threadpoolctl import threadpool_limits

_POOL_PAYS_S: Final = 1.5  # of work left that pays for starting other processes
_WAITING_EACH: Final = 2  # handfuls of items that lie ready for each of them
_HANDFULS_EACH: Final = 16  # that an even share comes in: handing one over takes the interpreter a while
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
    started: Future[int] | None = None

    def run(function: Callable[[Item], Outcome], items: Sequence[Item], /) -> Iterator[Outcome]:
        """This process works from the front, the others from the back; so it need not wait until they have started."""
        nonlocal pool, started
        start = time.perf_counter()
        elsewhere: deque[Future[list[Outcome]]] = deque()  # of the last items, in handfuls, the last one first
        handful = max(1, len(items) // (_HANDFULS_EACH * (n_others + 1)))
        stop = len(items)  # of the items that nobody has taken yet
        i = 0
        while i < stop:
            pays = i > 0 and (time.perf_counter() - start) / i * (stop - i) > _POOL_PAYS_S
            if pool is None and n_others > 0 and stop - i > 1 and (pays or workers is not None):
                pool = ProcessPoolExecutor(n_others, get_context("spawn"), initializer=prepare_worker)
                started = pool.submit(os.getpid)
            if pool is not None and started is not None and started.done():
                n_waiting = sum(not future.done() for future in elsewhere)
                for _ in range(min(_WAITING_EACH * n_others - n_waiting, (stop - i - 1) // handful)):
                    stop -= handful
                    elsewhere.append(pool.submit(_work_through, function, items[stop : stop + handful]))
            yield function(items[i])
            i += 1
        while elsewhere:
            yield from elsewhere.pop().result()

    try:
        with threadpool_limits(1):  # the matrices are small: threads would only wait for one another
            yield run
    finally:
        if pool is not None:
            with suppress(RuntimeError):  # interrupted while it was starting: it has no thread to wait for yet
                pool.shutdown(cancel_futures=True)


def _work_through(function: Callable[[Item], Outcome], items: Sequence[Item]) -> list[Outcome]:
    return [function(item) for item in items]


def prepare_worker() -> None:
    """Make this process a good worker of a pool.

    It is one of several, so its array libraries need no threads of their own; Ctrl-C is for the process that it works
    for to answer; and when that one is gone, however it ended, so is the worker.
    """
    importlib.import_module("numpy")  # a limit binds only libraries that are loaded
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
