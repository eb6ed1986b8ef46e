"""A spread over several processes of this machine, on the standard library's pool; `workers` has its rules."""

from __future__ import annotations

import importlib
import os
import signal
import threading
import time
from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from multiprocessing import get_context, parent_process
from multiprocessing.process import BaseProcess
from queue import LifoQueue
from typing import Any, Final

from threadpoolctl import threadpool_limits

from halfcycle.pipeline.errors import HalfcycleError
from halfcycle.pipeline.quick_start import arrow_without_pandas
from halfcycle.pipeline.spread import (
    SHORT_OF_MEMORY,
    Function,
    Item,
    Lost,
    Outcome,
    SingleBatch,
    Spread,
    in_words,
    single_batches_by,
)
from halfcycle.pipeline.workers import (
    TRIES,
    Task,
    TaskFailure,
    TaskLength,
    Worked,
    Workers,
    begun_here,
    handed_out,
    worked,
)

_POOL_PAYS_S: Final = 1.5  # of work left that pays for starting other processes
_LONGEST_START_S: Final = 60.0  # of processor time that a worker takes to load its libraries; a second is usual


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
        self._pool = _Pool(workers or os.cpu_count() or 1)
        self._asked_for = workers is not None
        self._begins_here = begins_here
        self._starter: ThreadPoolExecutor | None = None
        self._started: Future[bool] | None = None

    def __call__(
        self, function: Function[Item, Outcome], batches: Sequence[Sequence[Item]], /, *, lost: Lost[Item, Outcome]
    ) -> Iterator[list[Outcome]]:
        if not batches:  # no process is started for nothing
            return iter(())
        if not self._begins_here:
            self._pool.begin()
            return handed_out(self._pool, function, batches, lost)
        begun = time.perf_counter()

        def ready(n_done: int) -> Workers | None:
            left = len(batches) - n_done
            pays = n_done > 0 and (time.perf_counter() - begun) / n_done * left > _POOL_PAYS_S
            if self._started is None and self._pool.count() > 1 and left > 1 and (pays or self._asked_for):
                self._start()
            return self._pool if self._started is not None and self._started.done() and self._started.result() else None

        return begun_here(function, batches, lost, ready)

    def close(self) -> None:
        """End the processes."""
        if self._starter is not None:
            self._starter.shutdown()
        self._pool.end()

    def _start(self) -> None:
        self._starter = ThreadPoolExecutor(1)
        self._started = self._starter.submit(self._pool.start)


class _Pool:
    """Processes, as `Workers`; a new pool of them where one of them has ended, as that is the end of all.

    Once they are ended for good, threads that still wait for them, or ask for more, get a `CancelledError`.
    """

    def __init__(self, n: int) -> None:
        self._n = n
        self._pool: ProcessPoolExecutor | None = None
        self._is_over = False

    def task_length(self) -> TaskLength:
        """See `Workers`; a task costs a few milliseconds."""
        return TaskLength()

    def begin(self) -> None:
        """Start them if there are none."""
        if self._pool is None:
            self.renew()

    def count(self) -> int:
        """How many there are."""
        return self._n

    def submit(self, function: Function[Any, Any], batches: Sequence[Sequence[Any]]) -> Task | None:
        """See `Workers`."""
        while (pool := self._pool) is not None:
            try:
                return pool.submit(worked, function, batches)
            except BrokenProcessPool:
                self.renew()
            except RuntimeError:  # they are ended meanwhile
                self._check_wanted()
                raise
        self._check_wanted()
        return None

    def ended(self, tasks: Collection[Task]) -> Collection[Task]:
        """See `Workers`."""
        some = threading.Event()
        for task in tasks:  # told of one that is cancelled, too, for which `concurrent.futures.wait` may wait for ever
            task.add_done_callback(lambda _: some.set())
        some.wait()
        return [task for task in tasks if task.done()]

    def result(self, task: Task) -> Worked | TaskFailure | HalfcycleError:
        """See `Workers`."""
        try:
            found: Worked | TaskFailure | HalfcycleError = task.result()
        except CancelledError:  # it is no fault of what was to be done
            raise
        except BrokenProcessPool:
            return TaskFailure()
        except SHORT_OF_MEMORY as error:  # as what comes back is unpacked
            return TaskFailure(in_words(error))
        except Exception as error:  # of the way there or back
            return TaskFailure(in_words(error), TRIES)
        return found

    def renew(self) -> None:
        """A new pool; none where its processes cannot be started, or end as they start, whenever that is tried."""
        for _ in range(TRIES):
            self.close()
            if self.start():
                return

    def cancel(self, tasks: Collection[Task]) -> None:
        """See `Workers`."""
        for task in tasks:
            task.cancel()

    def start(self) -> bool:
        """Start a pool; whether its first process comes up: there may be no memory, or no script to start it from."""
        self._pool = pool = ProcessPoolExecutor(self._n, get_context("spawn"), initializer=prepare_worker)
        if self._is_over:
            self.close()
        self._check_wanted()
        try:
            failed = pool.submit(os.getpid).exception() is not None
        except OSError:  # no memory, or too many processes
            failed = True
        if failed:
            self.close()
        return not failed

    def end(self) -> None:
        """End the processes, and start no others."""
        self._is_over = True
        self.close()

    def close(self) -> None:
        """End the processes."""
        pool, self._pool = self._pool, None
        if pool is not None:
            with suppress(RuntimeError):  # interrupted while it was starting: it has no thread to wait for yet
                pool.shutdown(cancel_futures=True)

    def _check_wanted(self) -> None:
        if self._is_over:
            raise CancelledError("the processes were ended")


def prepare_worker() -> None:
    """Make this process a good worker of a pool.

    It is one of several, so its array libraries need no threads of their own; Ctrl-C is for the process that it works
    for to answer; and when that one is gone, however it ended, so is the worker.
    """
    with _ended_after(_LONGEST_START_S):
        importlib.import_module("numpy")  # a limit binds only libraries that are loaded
    threadpool_limits(1)
    arrow_without_pandas()
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
