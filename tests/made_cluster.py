"""A Dask cluster of processes of its own, for the tests of commands that are to use one."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def scheduler_elsewhere(folder: Path) -> Iterator[str]:
    """Address of a scheduler with a worker, each a process of its own that knows nothing of this one."""
    told = folder / "scheduler.json"
    words = [sys.executable, "-m", "distributed.cli"]
    started = [
        [f"{words[2]}.dask_scheduler", "--port", "0", "--no-dashboard", "--host", "127.0.0.1"],
        [f"{words[2]}.dask_worker", "--nthreads", "1", "--no-dashboard"],
    ]
    runs = []
    try:
        for one in started:
            command = [*words[:2], *one, "--scheduler-file", str(told)]
            runs.append(subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=folder))
            while not told.exists():
                assert runs[0].poll() is None
                time.sleep(0.05)
        yield json.loads(told.read_text())["address"]
    finally:
        for run in reversed(runs):
            run.terminate()
            run.wait()
