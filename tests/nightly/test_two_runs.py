"""Two nightly runs at once: the second stops with a clear word, or waits where it is told to."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from made_fleet import SITE, halfcycle, loaded, made_capture, names, plain_run, write_capture, write_fleet

pytestmark = pytest.mark.slow

# A run that stops for a while before its first batch, as a slow one would be under way.
SLOW_RUN = """
import sys, time
from pathlib import Path
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.spread import in_this_process

def slowly(function, batches, /, *, lost):
    print("under way", flush=True)
    time.sleep(float(sys.argv[2]))
    return in_this_process(function, batches, lost=lost)

run_nightly(load_fleet(Path(sys.argv[1])), spread=slowly)
"""


@contextmanager
def run_under_way(config: Path, seconds: float) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", SLOW_RUN, str(config), str(seconds)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "under way\n"
        try:
            yield child
        finally:
            child.kill()


@pytest.fixture
def config(tmp_path: Path) -> Path:
    config = write_fleet(tmp_path / "fleet")
    write_capture(made_capture("2026-03-01T12:00:00"), loaded(config).inbox / SITE / "a.csv")
    return config


@pytest.mark.long
def test_a_catalogue_is_read_while_a_run_is_at_work(config: Path) -> None:
    assert plain_run(config).returncode == 0
    write_capture(made_capture("2026-03-02T12:00:00", seed=2), loaded(config).inbox / SITE / "b.csv")
    with run_under_way(config, 60):
        done = halfcycle("catalogue", "--config", config)
        assert done.returncode == 0, done.stderr
        assert "0 days rebuilt, 1 day chosen" in done.stdout
        assert "another run is in progress" in halfcycle("catalogue", "--config", config, "--rebuild").stderr


@pytest.mark.parametrize("command", ["nightly", "ingest"])
@pytest.mark.long
def test_a_second_command_stops_with_a_word_that_names_the_first_and_status_1(config: Path, command: str) -> None:
    with run_under_way(config, 60) as child:
        second = halfcycle(command, "--config", config)
        assert second.returncode == 1
        assert f"another run is in progress (process {child.pid})" in second.stderr
        assert "Traceback" not in second.stderr
        assert second.stdout == ""
        assert names(loaded(config).inbox) == [f"{SITE}/a.csv"]


@pytest.mark.long
def test_a_second_run_waits_where_it_is_told_to_and_finds_nothing_left_to_do(config: Path) -> None:
    config.write_text(config.read_text().replace("[run]", "[run]\nwait_for_lock_s = 30.0"))
    with run_under_way(config, 0.5) as child:
        second = halfcycle("nightly", "--config", config)
        assert child.wait(timeout=10) == 0
    assert second.returncode == 0, second.stderr
    assert "nothing new" in second.stdout
    assert names(loaded(config).inbox) == []


@pytest.mark.long
def test_the_lock_of_a_run_that_was_killed_is_free_at_once(config: Path) -> None:
    with run_under_way(config, 60) as child:
        child.send_signal(signal.SIGKILL)
        child.wait(timeout=10)
        began = time.monotonic()
        done = plain_run(config)
    assert done.returncode == 0, done.stderr
    assert time.monotonic() - began < 20
    assert names(loaded(config).inbox) == []
