"""Numbered cases in forked children: whatever ends a child is a failed case of its own, and the next child goes on.

The parent prepares once, which takes seconds; a child is forked from it for some thousand cases, within a limit of
memory and, case by case, of processor time. A signal, an abort or a hang ends the child; the number of the case at hand
stands in memory that both share.
"""

from __future__ import annotations

import argparse
import json
import mmap
import os
import resource
import shutil
import signal
import sys
import tempfile
import traceback
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TextIO

BAD: Final = "BAD"
CASES_A_CHILD: Final = 2000
HANGS_S: Final = 30  # of processor time; then the case is ended from outside
WAITS_S: Final = 900  # by the clock, for what waits and takes no time: a machine may be busy with other work
IN_MEMORY: Final = Path("/dev/shm")


@dataclass(frozen=True)
class Outcome:
    """What became of a case: the format, whether it was read, and what is wrong with that, or None."""

    reader: str
    is_read: bool
    problem: str | None


RunCase = Callable[[int], Outcome]
Prepare = Callable[[argparse.Namespace, Path], RunCase]
"""Gives what runs a case by its number, in a folder to work in; its files lie in the folder's ``case``."""


@dataclass
class _Run:
    """What the cases of a command share: where they work, and what became of them."""

    seed: int
    keep: Path | None
    folder: Path
    most_bytes: int
    at_hand: mmap.mmap
    counts: dict[str, list[int]] = field(default_factory=dict)  # by format: refused, read
    n_bad: int = 0

    def tell(self, case: int, problem: str) -> None:
        """Say that a case failed."""
        self.n_bad += 1
        print(f"{BAD} seed {self.seed} case {case}: {problem}"[:500], flush=True)

    def keep_files(self, case: int) -> None:
        """Keep the files of the case at hand, where that was asked for."""
        if self.keep is not None and (self.folder / "case").is_dir():
            shutil.copytree(self.folder / "case", self.keep / f"{self.seed}-{case}", dirs_exist_ok=True)


@contextmanager
def work_folder(prefix: str) -> Iterator[Path]:
    """A folder for many small files: in memory where the system has such a place."""
    place = IN_MEMORY if os.access(IN_MEMORY, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix=prefix, dir=place) as folder:
        yield Path(folder)


def write_case(folder: Path, files: Iterable[tuple[str, bytes]]) -> None:
    """Put the files of a case into its folder, in place of those of the last one."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        shutil.rmtree(old) if old.is_dir() else old.unlink()
    for name, content in files:
        (folder / name).write_bytes(content)


def run_cases(arguments: argparse.Namespace, prepare: Prepare, *, most_bytes: int) -> int:
    """Run the cases that a command line asks for.

    Parameters
    ----------
    arguments : of `parser`.
    prepare : see `Prepare`.
    most_bytes : of further memory that a child may take.

    Returns
    -------
    Exit status: 1 where a case failed.
    """
    with work_folder("fuzz-") as folder, mmap.mmap(-1, 8) as at_hand:
        run = _Run(arguments.seed, arguments.keep, folder, most_bytes, at_hand)
        run_case = prepare(arguments, folder)
        first, end = arguments.first, arguments.first + arguments.cases
        while first < end:
            stop = min(first + CASES_A_CHILD, end)
            status = _child(run_case, range(first, stop), run)
            first = stop
            if status:  # the files of the case are still there
                case = int.from_bytes(at_hand[:], "little")
                run.tell(case, f"ended the process ({signal.Signals(-status).name if status < 0 else status})")
                run.keep_files(case)
                first = case + 1
            print(f"{first - arguments.first} cases so far, {run.n_bad} failed", file=sys.stderr, flush=True)
    for name, (n_refused, n_read) in sorted(run.counts.items()):
        print(f"{name}: {n_read} read, {n_refused} refused", flush=True)
    print(f"{arguments.cases} cases, {run.n_bad} of them neither refused nor done as they should be")
    return 1 if run.n_bad else 0


def parser(description: str) -> argparse.ArgumentParser:
    """The options that every such command has."""
    found = argparse.ArgumentParser(description=description)
    found.add_argument("--cases", type=int, default=1000)
    found.add_argument("--seed", type=int, default=1)
    found.add_argument("--first", type=int, default=0, help="number of the first case")
    found.add_argument("--keep", type=Path, help="folder for the files of cases that fail")
    return found


def _child(run_case: RunCase, cases: range, run: _Run) -> int:
    """Run cases in a child; its exit status, or the number of the signal that ended it, below zero."""
    reading, writing = os.pipe()
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        status = 70
        try:
            with os.fdopen(writing, "w", buffering=1) as told:
                _work(run_case, cases, run, told)
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    os.close(writing)
    with os.fdopen(reading) as told:
        for line in told:
            case, *fields = json.loads(line)
            outcome = Outcome(*fields)
            run.counts.setdefault(outcome.reader, [0, 0])[outcome.is_read] += 1
            if outcome.problem:
                run.tell(case, outcome.problem)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def _work(run_case: RunCase, cases: range, run: _Run, told: TextIO) -> None:
    if sys.platform == "linux":
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * resource.getpagesize() + run.most_bytes
        resource.setrlimit(resource.RLIMIT_AS, (most, resource.RLIM_INFINITY))
    warnings.simplefilter("ignore")  # that a hostile file makes a library warn is no fault
    for case in cases:
        run.at_hand[:] = case.to_bytes(8, "little")
        signal.setitimer(signal.ITIMER_PROF, HANGS_S)
        signal.alarm(WAITS_S)
        outcome = run_case(case)
        told.write(json.dumps([case, outcome.reader, outcome.is_read, outcome.problem]) + "\n")
        if outcome.problem:
            run.keep_files(case)
    signal.setitimer(signal.ITIMER_PROF, 0)
    signal.alarm(0)
