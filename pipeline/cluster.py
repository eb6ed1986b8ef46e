"""A spread over the workers of a Dask cluster: one that is there, or one of this machine's own while the work lasts.

What a worker gets is a function and a batch; what it gives back is small. Both ends see the same files under the same
paths. A worker may end at any time: its batch is done again, and an item that ends every process that works on it is
lost alone, as with the processes of `spread`.
"""

from __future__ import annotations

import logging
import signal
import time
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from typing import Any, Final, Literal

from threadpoolctl import threadpool_limits

from halfcycle.pipeline.errors import ConfigError, HalfcycleError, PlaceError
from halfcycle.pipeline.processes import spread_over_processes
from halfcycle.pipeline.spread import DIED, TRIES, Function, Item, Lost, Outcome, Spread, done_here, in_words

ENGINES: Final = ("processes", "dask")
Engine = Literal["processes", "dask"]
_WAITING_EACH: Final = 2  # batches that lie ready for each worker
_LOOK_S: Final = 5.0  # how often it is looked whether the cluster is still there while nothing ends
_WITHOUT_WORKERS_S: Final = 120.0  # how long a cluster may be without any, as workers that ended are started again
_OWN: Final = {  # of a cluster of this machine's own
    "distributed.scheduler.allowed-failures": 0,
    "distributed.worker.profile.enabled": False,
    # Of memory, what the C library comes to by itself in a process of one thread; Dask's own setting gives it back
    # after each array and asks for it again.
    "distributed.nanny.pre-spawn-environ": {
        **dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), 1),
        "MALLOC_MMAP_THRESHOLD_": 32 << 20,
        "MALLOC_TRIM_THRESHOLD_": 64 << 20,
        "MALLOC_ARENA_MAX": 1,
    },
}
_REACH_S: Final = 20.0  # to reach a scheduler


@contextmanager
def spread_with(engine: str, *, scheduler: str | None, workers: int | None) -> Iterator[Spread]:
    """The spread that an engine's name stands for.

    Parameters
    ----------
    engine : one of `ENGINES`.
    scheduler : address of a Dask scheduler, such as ``tcp://host:8786``; None: a cluster of this machine's own.
    workers : processes of this machine; None: as many as cores. A scheduler that is there has workers of its own.

    Raises
    ------
    ConfigError : no such engine, an address without Dask, or Dask is not installed.
    PlaceError : no scheduler answers there.
    """
    if engine not in ENGINES:
        raise ConfigError(f"engine {engine!r}; allowed are {', '.join(ENGINES)}")
    if engine == "processes":
        if scheduler:
            raise ConfigError(f"scheduler {scheduler} applies to the engine dask only")
        with spread_over_processes(workers) as spread:
            yield spread
    else:
        with spread_over_cluster(scheduler or None, workers=workers, begins_here=True) as spread:
            yield spread


@contextmanager
def spread_over_cluster(
    scheduler: str | None = None, *, workers: int | None = None, begins_here: bool = False
) -> Iterator[Spread]:
    """A spread over the workers of a Dask cluster.

    Parameters
    ----------
    scheduler, workers : see `spread_with`.
    begins_here : this process works until a cluster of its own has started.

    Raises
    ------
    ConfigError : Dask is not installed, or the address is none.
    PlaceError : no scheduler answers there.
    """
    try:
        import distributed  # noqa: F401
    except ImportError as error:
        raise ConfigError("the engine dask needs Dask: pip install 'halfcycle[cluster]'") from error
    from dask import config

    with ExitStack() as opened:
        opened.enter_context(_quiet())
        opened.enter_context(config.set(_OWN))
        opened.enter_context(threadpool_limits(1))
        starter = opened.enter_context(ThreadPoolExecutor(1))
        # Closed before the starter, which waits for a start under way: what that opens is closed with it.
        inner = ExitStack()
        starting = starter.submit(_connected, inner, scheduler, workers)
        opened.callback(_closed, starting, inner)
        if not begins_here or scheduler:
            starting.result()
        yield _Cluster(starting)


def _closed(starting: Future[_Connection], opened: ExitStack) -> None:
    starting.exception()
    opened.close()


def _connected(opened: ExitStack, scheduler: str | None, workers: int | None) -> _Connection:
    """A client of a cluster that is there, or of one that is started."""
    from distributed import Client

    place = scheduler or "this machine's own cluster"
    try:
        cluster = None if scheduler else opened.enter_context(_started(workers))
        client = Client(cluster or scheduler, timeout=_REACH_S)
        opened.callback(client.close)  # as its own context it would have to be closed by the thread that opened it
        if cluster is not None:
            client.register_plugin(_left_to_us())
    except ValueError as error:
        raise ConfigError(f"scheduler {scheduler}: {error}") from error
    except (OSError, TimeoutError) as error:
        raise PlaceError(f"scheduler {place}: {str(error).splitlines()[0]}") from error
    return _Connection(client, place, cluster, 0 if cluster is None else len(cluster.worker_spec))


def _started(workers: int | None) -> Any:
    """A cluster of this machine's own; tried again where a worker ends as it starts."""
    from distributed import LocalCluster

    failure: BaseException | None = None
    for _ in range(TRIES):
        try:
            return LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None)
        except RuntimeError as error:
            failure = error.__cause__ or error
    raise PlaceError(f"no worker process can be started: {failure}") from failure


@dataclass(frozen=True, slots=True)
class _Connection:
    """A client, what its cluster is called, and the cluster and its workers where it is one of this machine's own."""

    client: Any
    place: str
    own: Any = None
    n_own: int = 0


class _Cluster:
    """Hands batches to a cluster, some for each worker at a time, and gives what comes back in order."""

    def __init__(self, starting: Future[_Connection]) -> None:
        self._starting = starting

    @property
    def _at(self) -> _Connection:
        return self._starting.result()

    def __call__(
        self, function: Function[Item, Outcome], batches: Sequence[Sequence[Item]], /, *, lost: Lost[Item, Outcome]
    ) -> Iterator[list[Outcome]]:
        n_done_here = 0
        while n_done_here < len(batches) and not self._starting.done():
            yield done_here(function, batches[n_done_here], lost)
            n_done_here += 1
        yield from self._over_workers(function, batches[n_done_here:], lost)

    def _over_workers(
        self, function: Function[Item, Outcome], batches: Sequence[Sequence[Item]], lost: Lost[Item, Outcome]
    ) -> Iterator[list[Outcome]]:
        ready: dict[int, list[Outcome]] = {}
        running: dict[Any, int] = {}
        waiting = deque(range(len(batches)))
        suspects: list[int] = []
        i_next = 0
        try:
            while i_next < len(batches):
                while waiting and not suspects and len(running) < _WAITING_EACH * self._n_workers():
                    k = waiting.popleft()
                    running[self._submitted(function, batches[k])] = k
                if not running:  # what ended a worker is done again while nothing else is
                    for k in suspects:
                        ready[k] = self._one_by_one(function, batches[k], lost)
                    suspects.clear()
                for future in self._ended(list(running)):
                    k = running.pop(future)
                    found = self._result_of(future)
                    if not isinstance(found, _Failure):
                        ready[k] = found
                    elif found.is_of_the_process:
                        suspects.append(k)
                    else:
                        ready[k] = self._after_a_bug(function, batches[k], lost, found.words)
                while i_next in ready:
                    yield ready.pop(i_next)
                    i_next += 1
        finally:
            if running:
                with suppress(Exception):  # the cluster may be what is gone
                    self._at.client.cancel(list(running), force=True)

    def _submitted(self, function: Function[Item, Outcome], batch: Sequence[Item]) -> Any:
        return self._at.client.submit(_done_there, function, batch, pure=False)

    def _n_workers(self) -> int:
        n: int = sum(self._at.client.nthreads().values())
        return max(1, n)

    def _ended(self, running: list[Any]) -> list[Any]:
        """Those of some futures that have ended, when at least one has."""
        from distributed import wait

        if not running:
            return []
        last_seen = time.monotonic()
        while True:
            try:
                return list(wait(running, timeout=_LOOK_S, return_when="FIRST_COMPLETED").done)
            except TimeoutError:
                pass
            except CancelledError:
                return [one for one in running if one.cancelled()]
            if self._at.client.status != "running":
                raise PlaceError(f"scheduler {self._at.place} is gone")
            if self._at.own is not None:
                self._at.own.scale(
                    self._at.n_own
                )  # a worker killed as it was started anew does not come back by itself
            if self._at.client.nthreads():
                last_seen = time.monotonic()
            elif time.monotonic() - last_seen > _WITHOUT_WORKERS_S:
                raise PlaceError(f"scheduler {self._at.place} has had no worker for {_WITHOUT_WORKERS_S:.0f} s")

    def _result_of(self, future: Any) -> Any:
        """Outcomes, or the failure that kept a worker from them; an error that concerns more than an item is raised."""
        from distributed import KilledWorker

        if future.cancelled():
            raise PlaceError(f"scheduler {self._at.place} is gone, or cancelled this work")
        try:
            found = future.result()
        except KilledWorker as error:
            return _Failure(DIED, is_of_the_process=True, n_tries=error.allowed_failures + 1)
        except Exception as error:  # not of the function: of the way there or back
            return _Failure(in_words(error))
        if isinstance(found, HalfcycleError):
            raise found
        return found

    def _alone(self, function: Function[Item, Outcome], item: Item, lost: Lost[Item, Outcome]) -> list[Outcome]:
        """An item done by itself, again where a worker ended under it: what ended that may have come from outside."""
        n_tries, reason = 0, DIED
        while n_tries < TRIES:
            (future,) = self._ended([self._submitted(function, [item])])
            found = self._result_of(future)
            if not isinstance(found, _Failure):
                outcomes: list[Outcome] = found
                return outcomes
            reason = found.words
            n_tries += found.n_tries if found.is_of_the_process else TRIES
        return [lost(item, reason)]

    def _one_by_one(
        self, function: Function[Item, Outcome], batch: Sequence[Item], lost: Lost[Item, Outcome]
    ) -> list[Outcome]:
        return [outcome for item in batch for outcome in self._alone(function, item, lost)]

    def _after_a_bug(
        self, function: Function[Item, Outcome], batch: Sequence[Item], lost: Lost[Item, Outcome], words: str
    ) -> list[Outcome]:
        return [lost(batch[0], words)] if len(batch) == 1 else self._one_by_one(function, batch, lost)


@dataclass(frozen=True, slots=True)
class _Failure:
    """What kept a worker from the outcomes of a batch; another may not meet what is of the process."""

    words: str
    is_of_the_process: bool = False
    n_tries: int = 1


def _done_there(function: Function[Item, Outcome], batch: Sequence[Item]) -> list[Outcome] | _Failure | HalfcycleError:
    """Done by a worker, which gives errors back as values: Dask would print those that are raised."""
    try:
        with threadpool_limits(1):  # several threads sum in another order, and change last digits
            return function(batch)
    except HalfcycleError as error:
        return error
    except (MemoryError, ImportError) as error:
        return _Failure(in_words(error), is_of_the_process=True)
    except Exception as error:
        return _Failure(in_words(error))


def _left_to_us() -> Any:
    """Ctrl-C is for the process that the workers of this machine work for to answer."""
    from distributed import WorkerPlugin

    class LeftToUs(WorkerPlugin):
        def setup(self, worker: Any) -> None:
            signal.signal(signal.SIGINT, signal.SIG_IGN)

    return LeftToUs()


@contextmanager
def _quiet() -> Iterator[None]:
    """What Dask logs of workers that end is told by outcomes, and would go between the lines of a command."""
    loggers = [logging.getLogger(name) for name in ("distributed", "tornado.application", "asyncio")]
    levels = [one.level for one in loggers]
    for one in loggers:
        one.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for one, level in zip(loggers, levels, strict=True):
            one.setLevel(level)
