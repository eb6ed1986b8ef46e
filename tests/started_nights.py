"""Nights started one after another in processes of their own, which may end themselves before a step of their work."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

# Starts a process for each line it reads, CONFIG and STEP, which does the nightly work and ends itself by SIGKILL
# before its rename, link or removal number STEP (never, if that is below zero). What it needs is imported already, so
# that a kill falls into the work.
STARTER = """
import os, signal, sys, traceback
from pathlib import Path
import pyarrow.parquet, pandas, scipy.signal
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.readers import readers
import halfcycle.pipeline.writers.parquet
readers()

def counted(function):
    def step(*args, **options):
        global left
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        left -= 1
        return function(*args, **options)
    return step

for line in sys.stdin:
    config, step = line.rstrip("\\n").split("\\t")
    left = int(step)
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.link, os.unlink, os.replace = counted(os.link), counted(os.unlink), counted(os.replace)
            run_nightly(load_fleet(Path(config)))
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    print(child, flush=True)
    sys.stdin.readline()  # until it is waited for, a child that has ended keeps its number
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


class Starter:
    """Starts nightly runs, each in a process of its own."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def start(self, config: Path, *, step: int = -1) -> int:
        """Start a run; returns the number of its process."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{config}\t{step}\n")
        self._process.stdin.flush()
        return int(self._answer())

    def status(self) -> int:
        """How the run that was started ended: its exit status, or the signal's number below zero."""
        assert self._process.stdin is not None
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        return int(self._answer())

    def run(self, config: Path) -> int:
        """A run from its start to its end."""
        self.start(config)
        return self.status()

    def _answer(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline()


@contextmanager
def starting() -> Iterator[Starter]:
    """What starts nights, for as long as this lasts."""
    with subprocess.Popen(
        [sys.executable, "-c", STARTER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        yield Starter(process)
        assert process.stdin is not None
        process.stdin.close()
