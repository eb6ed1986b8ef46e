"""Workers of a screening or a night killed at random: the same catalogues, byte for byte, and no process left.

    python tests/properties/killed_workers.py --runs 200 --seed 1
    python tests/properties/killed_workers.py --runs 200 --seed 1 --night
    python tests/properties/killed_workers.py --runs 100 --seed 1 --engine dask

Each run works on the same drawn captures over two processes; at drawn instants one of them is killed, aborted or given
no more memory. A night may leave some files to the next, which has to finish: every file once, nothing set aside.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
for place in (HERE.parents[1], HERE.parent, HERE):
    if str(place) not in sys.path:  # when run as a command
        sys.path.insert(0, str(place))

from child_processes import command_of, workers_of  # noqa: E402
from made_fleet import SITE, digests, loaded, made_capture, names, write_capture, write_fleet  # noqa: E402
from nights import begin_night, end_night  # noqa: E402

from halfcycle.pipeline.cluster import ENGINES  # noqa: E402

_ENDINGS = (".cfg", ".parquet", ".csv", ".npz")
_HALFCYCLE = (sys.executable, "-c", "from halfcycle.pipeline.cli import main; raise SystemExit(main())")
_LONGEST_S = 300.0
_MOST_NIGHTS = 6
_SURVEY = '[survey]\ninterval_s = 1\nquantities = ["u_rms", "f"]\nlimits = "en-50160-lv"\n'


def archive(folder: Path, *, captures: int) -> Path:
    """Captures of every format, each with a sag."""
    for i in range(captures):
        capture = made_capture(f"2026-03-{1 + i // 20:02}T{i % 20:02}:00:00", sags=[(0.7, 0.2, 0.5)], seed=i)
        write_capture(capture, folder / f"{i}{_ENDINGS[i % 4]}")
    return folder


@dataclass
class Harm:
    """What is done to the workers of a process, and which were seen.

    Attributes
    ----------
    rng : draws when to harm which worker and how; None: none is harmed.
    most : of them.
    """

    rng: np.random.Generator | None
    most: int = 3
    seen: set[int] = field(default_factory=set)
    n_done: int = 0

    def watch(self, run: subprocess.Popen[Any]) -> None:
        """Harm workers of a process until it ends."""
        begun = time.monotonic()
        while run.poll() is None:
            workers = sorted(workers_of(run.pid))
            self.seen.update(workers)
            if self.rng is not None and workers and self.n_done < self.most:
                time.sleep(float(self.rng.uniform(0, 0.4)))
                self._do(int(self.rng.choice(workers)), self.rng)
            if time.monotonic() - begun > _LONGEST_S:
                run.kill()
            time.sleep(0.02)

    def _do(self, worker: int, rng: np.random.Generator) -> None:
        way = int(rng.integers(3))
        with suppress(OSError, IndexError):  # it has gone meanwhile
            if way == 2:
                taken = int(Path(f"/proc/{worker}/statm").read_text().split()[0]) * resource.getpagesize()
                resource.prlimit(worker, resource.RLIMIT_AS, (taken, resource.RLIM_INFINITY))
            else:
                os.kill(worker, [signal.SIGKILL, signal.SIGABRT][way])
            self.n_done += 1

    @property
    def left(self) -> list[int]:
        """Workers that are still there."""
        return [pid for pid in self.seen if b"spawn_main" in command_of(pid)]


def screened(inputs: Path, root: Path, harm: Harm, *, engine: str) -> object:
    """The bytes of a screening's catalogue."""
    out = root / "e.parquet"
    run = subprocess.Popen(
        [*_HALFCYCLE, "screen", str(inputs), "--out", str(out), "--workers", "2", "--explain",
         "--engine", engine],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd=HERE.parents[1],
    )  # fmt: skip
    harm.watch(run)
    words = b"" if run.stderr is None else run.stderr.read()
    if run.returncode == 0:
        return out.read_bytes()
    listed = out.with_suffix(".quarantine.csv")
    told = listed.read_text() if listed.exists() else words.decode(errors="replace")[-300:]
    return f"exit status {run.returncode}: {told}"


def nights(inputs: Path, root: Path, harm: Harm, *, engine: str) -> object:
    """What a fleet's catalogues hold once a night has nothing to do, what was processed, and what lies elsewhere."""
    config = write_fleet(root / "fleet", run=f'workers = 2\nengine = "{engine}"\n', extra=_SURVEY)
    fleet = loaded(config)
    shutil.copytree(inputs, fleet.inbox / SITE)
    for _ in range(_MOST_NIGHTS):
        run = begin_night(config)
        harm.watch(run)
        night = end_night(run)
        if night.is_whole and not names(fleet.inbox):
            break
    aside = [str(path) for path in (fleet.store / "waveforms").rglob("*.reason.txt")]
    made = [digests(fleet.store / kind) for kind in ("catalogue", "trends", "verdicts")]
    found = made, sorted(Path(name).name for name in names(fleet.processed))
    elsewhere = names(fleet.inbox), names(fleet.quarantine), aside
    shutil.rmtree(root / "fleet")
    return *found, elsewhere


def main(argv: list[str] | None = None) -> int:
    """Work again and again; the exit status says whether all catalogues were the same and no process was left."""
    parser = argparse.ArgumentParser(description="Workers killed at random.")
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--captures", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--night", action="store_true", help="nights of a fleet in place of screenings")
    parser.add_argument("--engine", choices=ENGINES, default="processes", help="who works on the batches")
    arguments = parser.parse_args(argv)
    work = partial(nights if arguments.night else screened, engine=arguments.engine)
    n_bad = n_done = 0
    with tempfile.TemporaryDirectory(prefix="killed-workers-") as folder:
        root = Path(folder)
        inputs = archive(root / "in", captures=arguments.captures)
        expected = work(inputs, root, Harm(None), engine="processes")
        for number in range(arguments.runs):
            harm = Harm(np.random.default_rng([arguments.seed, number]))
            found = work(inputs, root, harm)
            n_done += harm.n_done
            if found != expected or harm.left:
                n_bad += 1
                told = "the same" if found == expected else found if isinstance(found, str) else "something else found"
                print(f"run {number}: {told}; left: {harm.left}", flush=True)
            if (number + 1) % 10 == 0:
                print(f"{number + 1} runs, {n_done} workers harmed, {n_bad} not as they should be", flush=True)
    print(f"{arguments.runs} runs, {n_done} workers harmed, {n_bad} runs not as they should be")
    return 1 if n_bad or not n_done else 0


if __name__ == "__main__":
    raise SystemExit(main())
