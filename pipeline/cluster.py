"""A spread over the workers of a Dask cluster: one that is there, or one of this machine's own while the work lasts.

What a worker gets is a function and a batch; what it gives back is small. Both ends see the same files under the same
paths. A worker may end at any time: its batch is done again, and an item that ends every process that works on it is
lost alone: `workers` has the rules.
"""

from __future__ import annotations

import logging
import math
import pickle
import signal
import time
from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Literal

from threadpoolctl import threadpool_limits

from halfcycle.pipeline.errors import ConfigError, HalfcycleError, PlaceError
from halfcycle.pipeline.processes import spread_over_processes
from halfcycle.pipeline.quick_start import arrow_without_pandas
from halfcycle.pipeline.spread import (
    DIED,
    SHORT_OF_MEMORY,
    Function,
    Item,
    Lost,
    Outcome,
    Spread,
    in_words,
    on_one_thread,
)
from halfcycle.pipeline.workers import TRIES, Task, TaskFailure, TaskLength, Worked, begun_here, worked

ENGINES: Final = ("processes", "dask")
Engine = Literal["processes", "dask"]
_LOOK_S: Final = 5.0  # how often it is looked whether the cluster is still there while nothing ends
_WITHOUT_WORKERS_S: Final = 120.0  # how long a cluster may be without any, as workers that ended are started again
_OWN: Final = {  # of a cluster of this machine's own
    "distributed.scheduler.allowed-failures": 0,
    "distributed.worker.profile.enabled": False,
    # What it looks at of its own accord, many times a second, which nobody reads here.
    "distributed.admin.tick.interval": "500ms",
    "distributed.admin.system-monitor.interval": "60s",
    "distributed.admin.system-monitor.gil.enabled": False,
    "distributed.client.scheduler-info-interval": "60s",
    "distributed.deploy.cluster-repr-interval": "60s",
    "distributed.scheduler.active-memory-manager.start": False,
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    "distributed.diagnostics.nvml": False,
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
_TASKS: Final = TaskLength(most_s=2.0, least_s=0.4, share=0.5)  # each costs some 15 ms of processor time


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
        yield partial(_spread, starting)


def _closed(starting: Future[_Cluster], opened: ExitStack) -> None:
    starting.exception()
    opened.close()


def _connected(opened: ExitStack, scheduler: str | None, workers: int | None) -> _Cluster:
    """The workers of a cluster that is there, or of one that is started."""
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
    return _Cluster(_Connection(client, place, cluster, 0 if cluster is None else len(cluster.worker_spec)))


def _started(workers: int | None) -> Any:
    """A cluster of this machine's own; tried again where a worker ends as it starts."""
    from distributed import LocalCluster

    failure: BaseException | None = None
    for _ in range(TRIES):
        try:
            return LocalCluster(n_workers=workers, threads_per_worker=1, memory_limit=0, dashboard_address=None)
        except RuntimeError as error:
            failure = error.__cause__ or error
    raise PlaceError(f"no worker process can be started: {failure}") from failure


def _spread(
    starting: Future[_Cluster],
    function: Function[Item, Outcome],
    batches: Sequence[Sequence[Item]],
    /,
    *,
    lost: Lost[Item, Outcome],
) -> Iterator[list[Outcome]]:
    return begun_here(function, batches, lost, lambda _: starting.result() if starting.done() else None)


@dataclass(frozen=True, slots=True)
class _Connection:
    """A client, what its cluster is called, and the cluster and its workers where it is one of this machine's own."""

    client: Any
    place: str
    own: Any = None
    n_own: int = 0


class _Cluster:
    """The workers of a cluster, as `Workers`."""

    def __init__(self, connection: _Connection) -> None:
        self._at = connection
        self._n, self._seen = 1, -math.inf

    def task_length(self) -> TaskLength:
        """See `Workers`."""
        return _TASKS

    def count(self) -> int:
        """How many there are, as was last seen: who asks for each task would ask the scheduler as often."""
        if time.monotonic() - self._seen > _LOOK_S:
            self._n = max(1, sum(self._at.client.nthreads().values()))
            self._seen = time.monotonic()
        return self._n

    def submit(self, function: Function[Any, Any], batches: Sequence[Sequence[Any]]) -> Task | None:
        """See `Workers`."""
        from distributed.protocol.pickle import dumps

        # In one piece, as Dask goes through what it is given for tasks that these wait for.
        return self._at.client.submit(_worked_there, dumps((function, batches)), pure=False)

    def ended(self, tasks: Collection[Task]) -> Collection[Task]:
        """See `Workers`."""
        from distributed import wait

        last_seen = time.monotonic()
        while True:
            try:
                ended: Collection[Task] = wait(tasks, timeout=_LOOK_S, return_when="FIRST_COMPLETED").done
                return ended
            except TimeoutError:
                pass
            except CancelledError:
                return [one for one in tasks if one.cancelled()]
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

    def result(self, task: Task) -> Worked | TaskFailure | HalfcycleError:
        """See `Workers`."""
        from distributed import KilledWorker

        if task.cancelled():
            raise PlaceError(f"scheduler {self._at.place} is gone, or cancelled this work")
        try:
            found: Worked | TaskFailure | HalfcycleError = task.result()
        except KilledWorker as error:
            return TaskFailure(DIED, error.allowed_failures + 1)
        except Exception as error:  # not of the function: of the way there or back
            return TaskFailure(in_words(error), TRIES)
        return found

    def renew(self) -> None:
        """Nothing to do: who started a worker starts it anew."""

    def cancel(self, tasks: Collection[Task]) -> None:
        """See `Workers`."""
        if tasks:
            with suppress(Exception):  # the cluster may be what is gone
                self._at.client.cancel(list(tasks), force=True)


def _worked_there(packed: bytes) -> Worked | TaskFailure | HalfcycleError:
    try:
        function, batches = pickle.loads(packed)
    except SHORT_OF_MEMORY as error:
        return TaskFailure(in_words(error))
    with on_one_thread():
        return worked(function, batches)


def _left_to_us() -> Any:
    """What workers of this machine do as they start; Ctrl-C is for the process that they work for to answer."""
    from distributed import WorkerPlugin

    class LeftToUs(WorkerPlugin):
        def setup(self, worker: Any) -> None:
            signal.signal(signal.SIGINT, signal.SIG_IGN)
            arrow_without_pandas()

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
