"""Whatever one item does to its process, the others are done and it alone is lost, with the reason."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from concurrent.futures import CancelledError, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import pytest
from child_processes import workers_of

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.processes import _Pool, spread_apart, spread_over_processes
from halfcycle.pipeline.spread import Spread, in_this_process


def work(items: Sequence[int]) -> list[str]:
    return [_one(item) for item in items]


def _one(item: int) -> str:
    time.sleep(0.01 if item == 0 else 0.0)
    if item == 13:
        raise ZeroDivisionError("thirteen")
    if item == 17:
        os.kill(os.getpid(), signal.SIGKILL)
    if item == 19:
        os.abort()
    if item == 23:
        raise MemoryError
    return f"done {item}"


def lost(item: int, reason: str) -> str:
    return f"lost {item}: {reason}"


def batches(items: Sequence[int], size: int) -> list[list[int]]:
    return [list(items[i : i + size]) for i in range(0, len(items), size)]


def outcomes(spread: Spread, items: Sequence[int], size: int) -> list[str]:
    return [one for batch in spread(work, batches(items, size), lost=lost) for one in batch]


def test_in_this_process_a_bug_costs_its_item_and_says_what_it_was() -> None:
    found = outcomes(in_this_process, [1, 13, 14, 23, 24], 5)
    assert found[0] == "done 1"
    assert found[1] == "lost 13: unexpected ZeroDivisionError: thirteen"
    assert found[3] == "lost 23: needs more memory than is available"
    assert [found[2], found[4]] == ["done 14", "done 24"]


@pytest.mark.long
@pytest.mark.parametrize("size", [1, 4])
def test_over_processes_what_kills_its_process_costs_its_item_and_nothing_else(size: int) -> None:
    items = [*range(1, 13), *range(13, 30)]
    with spread_over_processes(2) as spread:
        # The first batches are done here until the others have started; nothing deadly may be among them.
        found = outcomes(spread, [0] * 400 + items, size)
    told = dict(zip([0] * 400 + items, found, strict=True))
    for item in items:
        if item in (13, 17, 19, 23):
            assert told[item].startswith(f"lost {item}: "), told[item]
        else:
            assert told[item] == f"done {item}"
    assert "ended" in told[17]
    assert "ended" in told[19]
    assert found == sorted(found, key=lambda one: (one != "done 0", found.index(one)))  # in order


def slowly(items: Sequence[int]) -> list[str]:
    time.sleep(0.1)
    return [f"done {item}" for item in items]


@pytest.mark.long
@pytest.mark.parametrize("seed", range(3))
def test_processes_that_are_killed_from_outside_cost_nothing(seed: int) -> None:
    stop = threading.Event()
    killed: list[int] = []

    def kill_now_and_then() -> None:
        while not stop.wait(3.0 + 0.3 * seed):
            workers = sorted(workers_of(os.getpid()))
            if workers:
                killed.append(workers[seed % len(workers)])
                with suppress(ProcessLookupError):
                    os.kill(killed[-1], signal.SIGKILL)

    killer = threading.Thread(target=kill_now_and_then)
    killer.start()
    try:
        with spread_over_processes(2) as spread:
            found = [one for batch in spread(slowly, batches(range(160), 2), lost=lost) for one in batch]
    finally:
        stop.set()
        killer.join()
    assert found == [f"done {item}" for item in range(160)]
    assert killed
    assert workers_of(os.getpid()) == set()


def refuses(items: Sequence[int]) -> list[str]:
    raise ConfigError("not so")


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_of_the_projects_own_is_for_the_caller(workers: int) -> None:
    with pytest.raises(ConfigError, match="not so"), spread_over_processes(workers) as spread:
        list(spread(refuses, [[1], [2]], lost=lost))


def test_no_process_is_started_for_nothing() -> None:
    with spread_apart(2) as apart:
        assert list(apart(list, [], lost=lost)) == []
        assert workers_of(os.getpid()) == set()


@pytest.mark.long
def test_no_process_is_left_behind() -> None:
    with spread_over_processes(2) as spread:
        found = [one for batch in spread(slowly, batches(range(40), 1), lost=lost) for one in batch]
    assert len(found) == 40
    assert workers_of(os.getpid()) == set()


UNGUARDED = """
import sys, time
from halfcycle.pipeline.processes import spread_over_processes

def work(items):
    time.sleep(0.05)
    return [item * 2 for item in items]

with spread_over_processes(2) as spread:  # no guard: a process that starts from this script ends at once
    found = [one for batch in spread(work, [[i] for i in range(100)], lost=lambda item, why: why) for one in batch]
assert found == [2 * i for i in range(100)], found
print("all done")
"""


@pytest.mark.long
def test_where_no_process_can_be_started_this_one_does_the_work(tmp_path: Path) -> None:
    script = tmp_path / "unguarded.py"
    script.write_text(UNGUARDED, encoding="utf-8")
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout == "all done\n"


def fails_at_first(marks: Sequence[Path]) -> list[str]:
    """Fails in the way that the mark's name says, once."""
    for mark in marks:
        if not mark.exists():
            mark.write_text("was here")
            if mark.name == "killed":
                os.kill(os.getpid(), signal.SIGKILL)
            raise {"memory": MemoryError, "half loaded": ImportError}[mark.name]
    return [f"done {mark.name}" for mark in marks]


@pytest.mark.slow
def test_what_another_process_does_not_meet_costs_nothing(tmp_path: Path) -> None:
    # The project's own design: short memory, also where it left a process half loaded, and kills from outside pass.
    marks = [tmp_path / name for name in ("killed", "memory", "half loaded")]
    with spread_apart(1) as spread:
        found = [one for batch in spread(fails_at_first, [[mark] for mark in marks], lost=said) for one in batch]
    assert found == ["done killed", "done memory", "done half loaded"]


def said(mark: Path, reason: str) -> str:
    return f"lost {mark.name}: {reason}"


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="there are no such timers")
def test_a_worker_that_loads_its_libraries_for_ever_is_ended() -> None:
    """As linear algebra does that is loaded under a limit of memory: it asks for some for ever, in one call."""
    code = (
        "import importlib\nimport halfcycle.pipeline.processes as processes\n"
        "processes._LONGEST_START_S = 0.2\n"
        "def forever(name):\n    while True:\n        pass\n"
        "importlib.import_module = forever\n"
        "processes.prepare_worker()\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False, timeout=120)
    assert ended.returncode == -signal.SIGPROF


def test_a_worker_that_has_loaded_them_may_work_for_as_long_as_it_takes() -> None:
    code = (
        "import halfcycle.pipeline.processes as processes\n"
        "processes._LONGEST_START_S = 5.0\n"
        "processes.prepare_worker()\n"
        "import signal\nassert signal.getitimer(signal.ITIMER_PROF) == (0.0, 0.0)\n"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=False, timeout=120).returncode == 0


@pytest.mark.slow
def test_who_waits_for_processes_that_are_ended_is_told_and_starts_no_others() -> None:
    # SOURCE: the project's own design. `concurrent.futures.wait` would not return: what is cancelled wakes nobody.
    pool = _Pool(1)
    pool.begin()
    tasks = [pool.submit(resting, [[0.5]]) for _ in range(5)]  # the last ones are not even on their way to the process
    with ThreadPoolExecutor(1) as waiting:
        ended = waiting.submit(pool.ended, tasks[-1:])
        time.sleep(0.1)
        pool.end()
        assert ended.result(timeout=60) == tasks[-1:]
    with pytest.raises(CancelledError):
        pool.result(tasks[-1])
    for ask in (pool.begin, lambda: pool.submit(resting, [[0.0]])):
        with pytest.raises(CancelledError):
            ask()


def resting(seconds: Sequence[float]) -> list[float]:
    """Take some time over each item."""
    for one in seconds:
        time.sleep(one)
    return list(seconds)
