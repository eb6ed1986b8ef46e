"""Workers of a screening killed at random: the catalogue must be the same, byte for byte, and no process be left.

    python tests/properties/killed_workers.py --runs 200 --seed 1

Each run screens the same drawn archive over two processes; at drawn instants one of them is killed or aborted.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
for place in (HERE.parents[1], HERE.parent):
    if str(place) not in sys.path:  # when run as a command
        sys.path.insert(0, str(place))

from child_processes import command_of, workers_of  # noqa: E402
from made_fleet import made_capture, write_capture  # noqa: E402

_ENDINGS = (".cfg", ".parquet", ".csv", ".npz")
_HALFCYCLE = (sys.executable, "-c", "from pipeline.cli import main; raise SystemExit(main())")
_LONGEST_S = 300.0


def archive(folder: Path, *, captures: int) -> Path:
    """Captures of every format, each with a sag."""
    for i in range(captures):
        capture = made_capture(f"2026-03-{1 + i // 20:02}T{i % 20:02}:00:00", sags=[(0.7, 0.2, 0.5)], seed=i)
        write_capture(capture, folder / f"{i}{_ENDINGS[i % 4]}")
    return folder


def screened(folder: Path, out: Path, rng: np.random.Generator | None) -> tuple[bytes, int, set[int]]:
    """The bytes of a catalogue, how many workers were killed, and all workers that were seen.

    Parameters
    ----------
    folder : of captures.
    out : catalogue.
    rng : draws when to kill which worker and how; None: none is killed.
    """
    run = subprocess.Popen(
        [*_HALFCYCLE, "screen", str(folder), "--out", str(out), "--workers", "2", "--explain"],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd=HERE.parents[1],
    )  # fmt: skip
    seen: set[int] = set()
    n_killed, begun = 0, time.monotonic()
    while run.poll() is None:
        workers = sorted(workers_of(run.pid))
        seen.update(workers)
        if rng is not None and workers and n_killed < 3:
            time.sleep(float(rng.uniform(0, 0.4)))
            with suppress(ProcessLookupError):
                os.kill(int(rng.choice(workers)), [signal.SIGKILL, signal.SIGABRT][int(rng.integers(2))])
                n_killed += 1
        if time.monotonic() - begun > _LONGEST_S:
            run.kill()
        time.sleep(0.02)
    words = b"" if run.stderr is None else run.stderr.read()
    if run.returncode:
        raise SystemExit(f"screen ended with {run.returncode}: {words.decode(errors='replace')}")
    return out.read_bytes(), n_killed, seen


def main(argv: list[str] | None = None) -> int:
    """Screen again and again; the exit status says whether all catalogues were the same and no process was left."""
    parser = argparse.ArgumentParser(description="Workers killed at random.")
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--captures", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args(argv)
    n_bad = n_killed = 0
    with tempfile.TemporaryDirectory(prefix="killed-workers-") as root:
        folder = archive(Path(root) / "in", captures=arguments.captures)
        expected, _, _ = screened(folder, Path(root) / "e.parquet", None)
        for number in range(arguments.runs):
            rng = np.random.default_rng([arguments.seed, number])
            found, killed, seen = screened(folder, Path(root) / "e.parquet", rng)
            left = [pid for pid in seen if b"spawn_main" in command_of(pid)]
            n_killed += killed
            if found != expected or left:
                n_bad += 1
                print(f"run {number}: {'another catalogue' if found != expected else ''} left: {left}", flush=True)
    print(f"{arguments.runs} runs, {n_killed} workers killed, {n_bad} runs not as they should be")
    return 1 if n_bad or not n_killed else 0


if __name__ == "__main__":
    raise SystemExit(main())
