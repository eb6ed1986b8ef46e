"""A spread over several processes of this machine; whatever one item does, the others are done.

A batch that fails is done again item by item, and an item that fails alone, or takes its process with it, gives the
outcome that the caller has for lost items. So a killed process, a lack of memory or a bug costs one item.
"""

from __future__ import annotations

import importlib
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from multiprocessing import get_context, parent_process
from multiprocessing.process import BaseProcess
from queue import LifoQueue
from typing import Any, Final

from threadpoolctl import threadpool_limits

from halfcycle.pipeline.errors import HalfcycleError
from halfcycle.pipeline.spread import (
    DIED,
    SHORT_OF_MEMORY,
    TRIES,
    Function,
    Item,
    Lost,
    Outcome,
    SingleBatch,
    Spread,
    done_here,
    in_words,
    single_batches_by,
)

_POOL_PAYS_S: Final = 1.5  # of work left that pays for starting other processes
_WAITING_EACH: Final = 2  # batches that lie ready for each process
_LONGEST_START_S: Final = 60.0  # of processor time that a worker takes to load its libraries; a second is usual
_NO_OTHER: Final = "another worker process ended, and no new one can be started"
_OF_THE_PROCESS: Final = (BrokenProcessPool, *SHORT_OF_MEMORY)  # what another may not meet with the same item


@contextmanager
def spread_apart(workers: int) -> Iterator[Spread]:
    """A spread that does nothing in this process: for what may end the one that works on it.

    Parameters
    ----------
    workers : processes; started when there is something to do.
    """
    engine = _Processes(workers, begins_here=False)
    try:
        yield engine
    finally:
        engine.close()


@contextmanager
def single_batches_apart(workers: int) -> Iterator[SingleBatch[Any, Any]]:
    """A function that does one batch in a process of its own, for as many threads as there are workers.

    Parameters
    ----------
    workers : processes, each started when a thread first needs it.
    """
    engines = [_Processes(1, begins_here=False) for _ in range(workers)]
    idle: LifoQueue[_Processes] = LifoQueue()
    for engine in engines:
        idle.put(engine)

    def done(function: Function[Any, Any], batch: Sequence[Any], lost: Lost[Any, Any]) -> list[Any]:
        engine = idle.get()
        try:
            return single_batches_by(engine)(function, batch, lost)
        finally:
            idle.put(engine)

    try:
        yield done
    finally:
        for engine in engines:
            engine.close()


@contextmanager
def spread_over_processes(workers: int | None) -> Iterator[Spread]:
    """A spread that begins in this process, and goes on over several where what is left pays for starting them.

    Parameters
    ----------
    workers : processes; None: as many as cores, started only where that pays.
    """
    engine = _Processes(workers)
    try:
        with threadpool_limits(1):  # the matrices are small: threads would only wait for one another
            yield engine
    finally:
        engine.close()


class _Processes:
    """This process works until the others have started, where it may; from then on it only hands out and collects."""

    def __init__(self, workers: int | None, *, begins_here: bool = True) -> None:
        self._n = workers or os.cpu_count() or 1
        self._asked_for = workers is not None
        self._begins_here = begins_here
        self._pool: ProcessPoolExecutor | None = None
        self._started: Future[int] | None = None
        self._can_start = True  # other processes: not so where there is no memory for them, or no script to start them

    def __call__(
        self, function: Function[Item, Outcome], batches: Sequence[Sequence[Item]], /, *, lost: Lost[Item, Outcome]
    ) -> Iterator[list[Outcome]]:
        if not self._begins_here and batches:
            if self._pool is None:
                self._restart()
            yield from self._over_pool(function, batches, lost)
            return
        begun = time.perf_counter()
        n_done_here = 0
        while n_done_here < len(batches):
            left = len(batches) - n_done_here
            pays = n_done_here > 0 and (time.perf_counter() - begun) / n_done_here * left > _POOL_PAYS_S
            if self._pool is None and self._can_start and self._n > 1 and left > 1 and (pays or self._asked_for):
                self._start()
            if self._pool is not None and self._is_ready() and self._has_started():
                yield from self._over_pool(function, batches[n_done_here:], lost)
                return
            yield done_here(function, batches[n_done_here], lost)
            n_done_here += 1

    def close(self) -> None:
        """End the processes."""
        if self._pool is not None:
            with suppress(RuntimeError):  # interrupted while it was starting: it has no thread to wait for yet
                self._pool.shutdown(cancel_futures=True)
        self._pool = None

    def _start(self) -> None:
        self._pool = ProcessPoolExecutor(self._n, get_context("spawn"), initializer=prepare_worker)
        try:
            self._started = self._pool.submit(os.getpid)
        except OSError:  # no memory, or too many processes
            self._started = None
            self._has_started()

    def _is_ready(self) -> bool:
        return self._started is not None and self._started.done()

    def _has_started(self) -> bool:
        """Waits for the first process; where none comes up, this one goes on alone."""
        if self._started is None or self._started.exception() is not None:
            self._can_start = False
            self.close()
        return self._can_start

    def _over_pool(
        self, function: Function[Item, Outcome], batches: Sequence[Sequence[Item]], lost: Lost[Item, Outcome]
    ) -> Iterator[list[Outcome]]:
        ready: dict[int, list[Outcome]] = {}
        running: dict[Future[list[Outcome]], int] = {}
        waiting = deque(range(len(batches)))
        i_next = 0
        while i_next < len(batches):
            while waiting and len(running) < _WAITING_EACH * self._n:
                k = waiting.popleft()
                running[self._submit(function, batches[k], lost)] = k
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            broken: list[int] = []
            for future in finished:
                k = running.pop(future)
                error = future.exception()
                if error is None:
                    ready[k] = future.result()
                elif isinstance(error, _OF_THE_PROCESS):
                    broken.append(k)
                elif isinstance(error, HalfcycleError):
                    raise error
                else:
                    ready[k] = self._again(function, batches[k], lost, in_words(error))
            if broken:  # one of what was under way took its process with it, and the pool with that
                suspects = sorted([*broken, *running.values()])
                running.clear()
                self._restart()
                n_alone = int(len(suspects) == 1)
                for k in suspects:
                    ready[k] = self._alone(function, batches[k], lost, n_died=n_alone)
            while i_next in ready:
                yield ready.pop(i_next)
                i_next += 1

    def _submit(
        self, function: Function[Item, Outcome], batch: Sequence[Item], lost: Lost[Item, Outcome]
    ) -> Future[list[Outcome]]:
        """A batch handed to the pool, to a new one where that has broken since, or done here where none can be had."""
        while self._pool is not None:
            try:
                return self._pool.submit(function, batch)
            except BrokenProcessPool:
                self._restart()
        done: Future[list[Outcome]] = Future()
        done.set_result(done_here(function, batch, lost))
        return done

    def _restart(self) -> None:
        """A new pool; none where its processes cannot be started, or end as they start, whenever that is tried."""
        for _ in range(TRIES):
            self.close()
            self._can_start = True
            self._start()
            if self._has_started():
                return

    def _alone(
        self, function: Function[Item, Outcome], batch: Sequence[Item], lost: Lost[Item, Outcome], *, n_died: int = 0
    ) -> list[Outcome]:
        """A batch done in the pool while nothing else is, then its items likewise. n_died: tries it had alone."""
        tries = TRIES if len(batch) == 1 else 1  # what ended a process from outside may do so again
        reason = DIED
        for _ in range(tries - n_died):
            if self._pool is None:  # not to be done here: it may be what ended the process
                return [lost(item, _NO_OTHER) for item in batch]
            try:
                return self._pool.submit(function, batch).result()
            except _OF_THE_PROCESS as error:
                reason = DIED if isinstance(error, BrokenProcessPool) else in_words(error)
                self._restart()
            except HalfcycleError:
                raise
            except Exception as error:
                return self._one_by_one(function, batch, lost, in_words(error))
        return self._one_by_one(function, batch, lost, reason)

    def _again(
        self, function: Function[Item, Outcome], batch: Sequence[Item], lost: Lost[Item, Outcome], reason: str
    ) -> list[Outcome]:
        """A batch that failed, item by item; a single item once more, as short memory leaves a process half loaded."""
        if len(batch) == 1:
            return self._alone(function, batch, lost, n_died=TRIES - 1)
        return self._one_by_one(function, batch, lost, reason)

    def _one_by_one(
        self, function: Function[Item, Outcome], batch: Sequence[Item], lost: Lost[Item, Outcome], reason: str
    ) -> list[Outcome]:
        if len(batch) == 1:
            return [lost(batch[0], reason)]
        return [outcome for item in batch for outcome in self._alone(function, [item], lost)]


def prepare_worker() -> None:
    """Make this process a good worker of a pool.

    It is one of several, so its array libraries need no threads of their own; Ctrl-C is for the process that it works
    for to answer; and when that one is gone, however it ended, so is the worker.
    """
    with _ended_after(_LONGEST_START_S):
        importlib.import_module("numpy")  # a limit binds only libraries that are loaded
    threadpool_limits(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_parent()


@contextmanager
def _ended_after(seconds: float) -> Iterator[None]:
    """The system ends this process where it takes more processor time than that: linear algebra that is loaded while
    memory is short asks for it for ever, and lets no other thread run. seconds: [s]"""
    if not hasattr(signal, "setitimer"):  # not on Windows
        yield
        return
    signal.signal(signal.SIGPROF, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)


def end_with_parent() -> None:
    """From now on this process ends when the one that started it is gone; nothing changes in one that has no such."""
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)
