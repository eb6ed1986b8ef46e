"""Work spread over a Dask cluster: the same outcomes as in one process, whatever becomes of its workers."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from child_processes import workers_of
from made_cluster import scheduler_elsewhere
from made_fleet import halfcycle, made_capture, write_capture

from halfcycle.pipeline import cluster
from halfcycle.pipeline.cluster import spread_over_cluster, spread_with
from halfcycle.pipeline.errors import ConfigError, PlaceError
from halfcycle.pipeline.spread import Spread, in_this_process

pytest.importorskip("distributed")
SOURCE = "the project's own design: what goes wrong with an item costs it alone, whoever works on it"
# `distributed` closes sockets of workers that were killed late.
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")


def work(items: Sequence[int]) -> list[str]:
    return [_one(item) for item in items]


def _one(item: int) -> str:
    if item == 13:
        raise ZeroDivisionError("thirteen")
    if item == 17:
        os.kill(os.getpid(), signal.SIGKILL)
    if item == 23:
        raise MemoryError
    if item == 31:
        raise ConfigError("thirty-one")
    time.sleep(0.02)
    return f"done {item}"


def lost(item: int, reason: str) -> str:
    return f"lost {item}: {reason}"


def outcomes(spread: Spread, items: Sequence[int], size: int) -> list[str]:
    batches = [list(items[i : i + size]) for i in range(0, len(items), size)]
    return [one for batch in spread(work, batches, lost=lost) for one in batch]


@pytest.fixture(scope="module")
def two_workers() -> Iterator[Spread]:
    with spread_over_cluster(workers=2) as spread:
        yield spread


@pytest.mark.long
def test_what_ends_a_worker_costs_its_item_and_nothing_else(two_workers: Spread) -> None:
    # SOURCE.
    items = [*range(1, 31), 13, 40]
    found = outcomes(two_workers, items, 4)
    expected = outcomes(in_this_process, [item for item in items if item != 17], 4)
    rest = [one for one in found if not one.startswith("lost 17")]
    assert rest == expected
    (killed,) = [one for one in found if one.startswith("lost 17")]
    assert "ended" in killed


@pytest.mark.long
def test_workers_killed_from_outside_cost_nothing(two_workers: Spread) -> None:
    # SOURCE.
    items = list(range(1000, 1200))
    found: list[str] = []
    for i, batch in enumerate(two_workers(work, [[item] for item in items], lost=lost)):
        found += batch
        if i in (5, 60):
            os.kill(_a_worker(), signal.SIGKILL)
    assert found == [f"done {item}" for item in items]


def _a_worker() -> int:
    """A worker's process; those that were killed before may still be on their way back."""
    until = time.monotonic() + 60.0
    while not (pids := workers_of(os.getpid())) and time.monotonic() < until:
        time.sleep(0.02)
    return min(pids)


@pytest.mark.slow
def test_an_error_that_concerns_more_than_an_item_is_raised(two_workers: Spread) -> None:
    # SOURCE.
    with pytest.raises(ConfigError, match="thirty-one"):
        outcomes(two_workers, [1, 2, 31, 3], 1)
    assert outcomes(two_workers, [1, 2], 1) == ["done 1", "done 2"]


@pytest.mark.long
def test_a_screening_and_a_survey_are_the_same_bytes_on_a_cluster_elsewhere(tmp_path: Path) -> None:
    # SOURCE.
    for i in range(6):
        capture = made_capture(f"2026-03-01T{i:02}:00:00", sags=[(0.7, 0.2, 0.5)], seed=i, seconds=3.0)
        write_capture(capture, tmp_path / "in" / f"{i}{('.cfg', '.parquet')[i % 2]}")
    (tmp_path / "in" / "bad.cfg").write_text("no COMTRADE,1,2013\n")
    with scheduler_elsewhere(tmp_path) as address:
        for out, words in (("here", []), ("there", ["--engine", "dask", "--scheduler", address])):
            (tmp_path / out).mkdir()
            screening = ["screen", str(tmp_path / "in"), "--out", str(tmp_path / out / "e.csv"), "--explain", *words]
            assert halfcycle(*screening, "--detect", "all").returncode == 3
            survey = ["measure", str(tmp_path / "in"), "--out", str(tmp_path / out / "t.csv"), "--interval", "1"]
            assert halfcycle(*survey, *words).returncode == 3
    for name in ("e.csv", "e.quarantine.csv", "t.csv", "t.quarantine.csv"):
        assert (tmp_path / "there" / name).read_bytes() == (tmp_path / "here" / name).read_bytes(), name


def test_what_cannot_be_had_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ConfigError, match="allowed are processes, dask"), spread_with("no", scheduler=None, workers=1):
        pass
    with pytest.raises(ConfigError, match="applies to the engine dask"):  # noqa: SIM117
        with spread_with("processes", scheduler="tcp://127.0.0.1:9", workers=1):
            pass
    monkeypatch.setattr(cluster, "_REACH_S", 0.3)
    with pytest.raises(PlaceError, match="scheduler tcp"), spread_over_cluster("tcp://127.0.0.1:9"):
        pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ConfigError, match=r"halfcycle\[cluster\]"), spread_over_cluster():
        pass
