"""The nightly flow: one flow run a night, tasks of batches of files or days, never of one each."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar, cast

from halfcycle.pipeline.cluster import spread_over_cluster
from halfcycle.pipeline.config import Fleet, load_fleet
from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.flows.artifacts import tell_prefect
from halfcycle.pipeline.flows.temporary_server import API_URL, prefect_api
from halfcycle.pipeline.nightly.run import RunSummary, run_nightly
from halfcycle.pipeline.notifying import fleet_name, night, night_that_failed
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.processes import end_with_parent, single_batches_apart
from halfcycle.pipeline.publishing import publish
from halfcycle.pipeline.spread import Function, Lost, SingleBatch, in_this_process, single_batches_by

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")

_EVENTS_S: Final = 5.0
# Prefect reads these when it is imported; what the user has set stays.
_QUIET = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "0",
    "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "0",
}
# On the temporary server nobody would read them; on the user's own, a run's log is there with it.
_WITHOUT_LOGS = {
    "PREFECT_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_INTERNAL_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_TO_API_ENABLED": "0",
}
for _name, _value in (_QUIET if os.environ.get(API_URL) else {**_QUIET, **_WITHOUT_LOGS}).items():
    os.environ.setdefault(_name, _value)

if not os.environ.get(API_URL):  # its logger takes no setting
    logging.getLogger("EventsWorker").setLevel(logging.CRITICAL)

from prefect import flow, get_run_logger, task  # noqa: E402
from prefect.client.schemas.objects import State  # noqa: E402
from prefect.events.worker import EventsWorker  # noqa: E402
from prefect.futures import wait  # noqa: E402
from prefect.runtime import flow_run  # noqa: E402
from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings  # noqa: E402
from prefect.states import Completed  # noqa: E402
from prefect.task_runners import TaskRunner, ThreadPoolTaskRunner  # noqa: E402


# Never tried again by itself: what a file does to it, it does again, and what the store does ends the night's attempt.
@task(persist_result=False, log_prints=False)
def work_on_batch(work: Callable[[], list[Outcome]]) -> list[Outcome]:
    """One batch of files or days."""
    return work()


def _may_pass(_task: object, _run: object, state: State[Any]) -> bool:
    """Whether a failure is one of the store or of a network, which may be over in a minute."""
    return isinstance(state.result(raise_on_failure=False), StoreError)


@task(name="night", persist_result=False, log_prints=False, retry_condition_fn=_may_pass)
def do_night(work: Callable[[], RunSummary]) -> RunSummary:
    """The night's work, which begins where it was when it is tried again."""
    return work()


def spread_over_tasks(
    function: Function[Item, Outcome],
    batches: Sequence[Sequence[Item]],
    /,
    *,
    lost: Lost[Item, Outcome],
    runner: TaskRunner[Any],
    single: SingleBatch[Item, Outcome],
) -> Iterator[list[Outcome]]:
    """A task for each batch; all end before the first failure is raised. See `halfcycle.pipeline.spread.Spread`."""
    work: Any = function
    named = work_on_batch.with_options(name=getattr(work, "func", work).__name__)
    futures = [runner.submit(named, {"work": partial(single, function, batch, lost)}) for batch in batches]
    wait(futures)
    for future in futures:
        if not future.state.is_completed():
            future.result(raise_on_failure=True)
    return iter([future.result() for future in futures])


def _run_name() -> str:
    """What a run is called: its fleet, and when it began. UTC"""
    return f"{fleet_name(Path(flow_run.parameters['config']))} {datetime.now(UTC):%Y-%m-%d %H:%M}"


@flow(name="halfcycle-nightly", flow_run_name=_run_name, validate_parameters=False, persist_result=False)
def nightly(config: str) -> State[Any]:
    """Ingest what is new in a fleet's inbox, rebuild each day whose catalogue is stale, publish the report.

    Completed also where files were quarantined (their number is in the state's message); failed only where the run
    could not do its job.
    """
    end_with_parent()  # a scheduled run would wait for ever for a server that ended with the process that serves it
    fleet = load_fleet(Path(config))
    # Opened here and not given to the flow as its own: a scheduled run is a new process that knows `config` alone.
    threads: TaskRunner[Any] = ThreadPoolTaskRunner(max_workers=fleet.run.workers)
    name = fleet_name(Path(config))
    with _ended_late(fleet, name), threads as runner, _batches(fleet) as single:
        work = partial(run_nightly, fleet, spread=partial(spread_over_tasks, runner=runner, single=single))
        attempt = do_night.with_options(retries=fleet.run.retries, retry_delay_seconds=fleet.run.retry_after_s)
        summary = night(fleet, name, partial(attempt, work))
    told = tell_prefect(fleet, summary, publish(fleet, Path(config)))
    get_run_logger().log(logging.INFO if summary.is_whole else logging.WARNING, told)
    for words in summary.untold:
        get_run_logger().warning(words)
    n_quarantined = len(summary.quarantined)
    return Completed(message=f"{counted(n_quarantined, 'file')} quarantined" if n_quarantined else None, data=summary)


def run_flow(config: Path) -> RunSummary:
    """Run the nightly flow once in this process.

    Raises
    ------
    HalfcycleError : what the run raised.
    """
    fleet = load_fleet(config)
    # On the user's own server heartbeats tell that a run was killed; the temporary one ends with its run.
    alone: dict[Any, Any] = {} if os.environ.get(API_URL) else {PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}
    with prefect_api(fleet.store / ".flows"), temporary_settings(alone):
        try:
            summary: Any = nightly(config=str(config))
        finally:  # else Prefect would wait, as the interpreter ends, for a server that has ended
            EventsWorker.drain_all(timeout=_EVENTS_S)
    return cast(RunSummary, summary)


@contextmanager
def _ended_late(fleet: Fleet, name: str) -> Iterator[None]:
    """End this process, and with it its workers, where a night takes longer than the fleet allows."""
    hours = fleet.run.longest_night_h
    if hours is None:
        yield
        return

    def end() -> None:
        words = f"the night took longer than {hours:g} h and was ended; what it did is kept, the next one does the rest"
        try:
            logging.getLogger(__name__).critical(words)
            night_that_failed(fleet, name, StoreError(words))
        finally:  # nothing may keep it from ending
            os._exit(1)

    timer = threading.Timer(hours * 3600, end)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


@contextmanager
def _batches(fleet: Fleet) -> Iterator[SingleBatch[Any, Any]]:
    """How a task does its batch: on a cluster, in a process of its own, or as one of several threads of this one."""
    if fleet.run.engine == "dask":
        with spread_over_cluster(fleet.run.scheduler or None, workers=fleet.run.workers) as spread:
            yield single_batches_by(spread)
    elif fleet.run.task_runner == "processes":
        with single_batches_apart(fleet.run.workers) as single:
            yield single
    else:
        yield single_batches_by(in_this_process)
