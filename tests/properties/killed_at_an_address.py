"""Nights of two machines at one address, killed at drawn instants: nothing lost, nothing twice, the bytes of a folder.

    python tests/properties/killed_at_an_address.py --runs 200 --seed 1

Each run draws a fleet's files, some of them delivered to an address, some to one machine's inbox, and kills one to
three nights of either machine, each by SIGKILL before or after a drawn step: a rename, link or removal of a file here,
or a read, write or removal of an object there. After each kill a new machine has to be able to read what is there. In
the end both machines finish their work, and they and a new one have to hold what a fleet on folders holds.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
for folder in (HERE.parents[1], HERE.parent, HERE):
    if str(folder) not in sys.path:  # when run as a command
        sys.path.insert(0, str(folder))

from made_fleet import SITE, catalogue_bytes, digests, loaded, made_capture, names, write_capture, write_fleet  # noqa: E402
from made_places import addresses  # noqa: E402

from halfcycle.pipeline.config import Fleet  # noqa: E402
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle  # noqa: E402
from halfcycle.pipeline.nightly.working import bring_here  # noqa: E402

SITES = (SITE, "Öllwang 2")
_ENDINGS = (".cfg", ".parquet", ".csv", ".npz")
_NEVER = -1

# Starts a process for each line it reads (CONFIG, STEP, whether after it, a file), which does the nightly work and ends
# itself by SIGKILL before or after its step of that number; the steps it took stand in the file where it came through.
_STARTER = """
import os, signal, sys, threading, traceback
from pathlib import Path
import pyarrow.parquet, pandas, scipy.signal, s3fs
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.readers import readers
from halfcycle.pipeline.replica.places import FolderPlace, S3Place
import halfcycle.pipeline.writers.parquet
readers()
taken, turn = 0, threading.Lock()

def counted(function):
    def step(*args, **options):
        global taken
        with turn:
            taken += 1
            at_it = taken == at + 1
        if at_it and not after:
            os.kill(os.getpid(), signal.SIGKILL)
        found = function(*args, **options)
        if at_it:
            os.kill(os.getpid(), signal.SIGKILL)
        return found
    return step

for line in sys.stdin:
    config, at, after, told = line.rstrip("\\n").split("\\t")
    at, after = int(at), after == "after"
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.link, os.unlink, os.replace = counted(os.link), counted(os.unlink), counted(os.replace)
            for kind in (FolderPlace, S3Place):
                for verb in ("get", "put_if_absent", "swap_if_unchanged", "fetch", "send", "delete"):
                    setattr(kind, verb, counted(getattr(kind, verb)))
            run_nightly(load_fleet(Path(config)))
            Path(told).write_text(str(taken))
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


class Nights:
    """Nights in processes of their own; count : of steps that the last whole one took."""

    def __init__(self, process: subprocess.Popen[str], folder: Path) -> None:
        self._process, self._told, self.count = process, folder / "steps", 0

    def run(self, fleet: Path, *, at: int = _NEVER, after: bool = False) -> int:
        """A night; returns its exit status, below zero the signal that ended it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{fleet}\t{at}\t{'after' if after else 'before'}\t{self._told}\n")
        self._process.stdin.flush()
        status = int(self._process.stdout.readline())
        if status == 0:
            self.count = int(self._told.read_text())
        return status


@contextmanager
def nights(folder: Path) -> Iterator[Nights]:
    """What starts nights, which find the server that this process finds."""
    path = os.pathsep.join(filter(None, [str(HERE.parents[1]), os.environ.get("PYTHONPATH", "")]))
    with subprocess.Popen(
        [sys.executable, "-c", _STARTER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": path},
    ) as process:  # fmt: skip
        yield Nights(process, folder)
        assert process.stdin is not None
        process.stdin.close()


def draw_files(folder: Path, rng: np.random.Generator) -> list[Path]:
    """Some captures of each site, one over midnight in two files, one damaged and one twice; the first of each stem."""
    first: list[Path] = []
    for i, site in enumerate(SITES):
        for k in range(int(rng.integers(1, 4))):
            start = f"2026-03-0{rng.integers(1, 4)}T{rng.integers(0, 23):02}:{rng.integers(0, 60):02}:00"
            sags = [(0.5, float(rng.uniform(0.05, 0.4)), float(rng.uniform(0.2, 0.8)))]
            ending = _ENDINGS[int(rng.integers(4))]
            first.append(write_capture(made_capture(start, sags=sags, seed=10 * i + k), folder / site / f"{k}{ending}"))
    whole = [made_capture(f"2026-03-0{1 + n}T{clock}", sags=[(0.2, 1.7, 0.6)], seed=5)
             for n, clock in ((0, "23:59:58"), (1, "00:00:00"))]  # fmt: skip
    first += [write_capture(one, folder / SITE / f"midnight{n}.csv") for n, one in enumerate(whole)]
    first.append(folder / SITE / f"again{first[0].suffix}")
    for part in first[0].parent.glob(f"{first[0].stem}.*"):
        shutil.copy(part, part.with_name(part.name.replace(first[0].stem, "again", 1)))
    bad = write_capture(made_capture("2026-03-03T10:00:00"), folder / SITE / "bad.cfg").with_suffix(".dat")
    bad.write_bytes(bad.read_bytes()[:-1000])
    return [*first, bad.with_suffix(".cfg")]


def machine(root: Path, address: str, incoming: str) -> Path:
    """The settings of a machine; returns their path."""
    config = write_fleet(root, sites=SITES, run="lease_s = 1.0\nwait_for_lock_s = 60.0\n")
    config.write_text(f'store_at = "{address}"\ninbox_from = "{incoming}"\n{config.read_text()}')
    return config


def deliver(files: list[Path], drawn: Path, inbox: Path, incoming: str, rng: np.random.Generator) -> None:
    """Bring each file with its companions to the address or to the inbox."""
    from fsspec.core import url_to_fs

    there, root = url_to_fs(incoming, skip_instance_cache=True)
    for file in files:
        goes_there = rng.uniform() < 0.6
        for part in file.parent.glob(f"{file.stem}.*"):
            name = part.relative_to(drawn).as_posix()
            if goes_there:
                there.makedirs(f"{root}/{name}".rpartition("/")[0], exist_ok=True)
                there.put_file(str(part), f"{root}/{name}")
            else:
                (inbox / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(part, inbox / name)


def held_by(fleet: Fleet) -> dict[str, object]:
    """What a fleet holds, whatever its files are called: catalogues, captures, and the contents of its originals."""
    originals = {name: digest for name, digest in digests(fleet.processed).items() if "/." not in f"/{name}"}
    aside = {name: digest for name, digest in digests(fleet.quarantine).items() if "/." not in f"/{name}"}
    return {
        "catalogue": catalogue_bytes(fleet.store),
        "waveforms": names(fleet.store / "waveforms"),
        "processed": sorted(originals.values()),
        "quarantine": sorted(aside.values()),
    }


def one_run(root: Path, address: Callable[[], str], night: Nights, rng: np.random.Generator) -> tuple[list[str], int]:
    """A drawn fleet and its nights; returns what was wrong in the end, in words, and how many nights were killed."""
    drawn, there = root / "drawn", address()
    files = draw_files(drawn, rng)
    incoming = f"{there}-incoming" if there.startswith("s3://") else f"file://{root}/incoming"
    plain = write_fleet(root / "plain", sites=SITES)
    shutil.copytree(drawn, root / "plain" / "inbox", dirs_exist_ok=True)
    run_nightly(loaded(plain))
    wanted = held_by(loaded(plain))
    mill, weir = (machine(root / name, there, incoming) for name in ("mill", "weir"))
    deliver(files, drawn, root / "mill" / "inbox", incoming, rng)
    wrong: list[str] = []
    n_killed = 0
    for k in range(int(rng.integers(1, 4))):
        at, after = int(rng.integers(0, max(night.count, 40))), bool(rng.integers(2))
        status = night.run(mill if rng.uniform() < 0.6 else weir, at=at, after=after)
        n_killed += status == -9
        wrong += [f"a night ended with {status}"] if status not in (0, -9) else []
        bring_here(loaded(machine(root / f"reader{k}", there, incoming)))
    for config in (mill, weir, mill):
        status = night.run(config)
        wrong += [f"a last night ended with {status}"] if status else []
    dam = loaded(machine(root / "dam", there, incoming))
    bring_here(dam)
    for name, fleet in (("mill", loaded(mill)), ("weir", loaded(weir)), ("dam", dam)):
        held = held_by(fleet)
        wrong += [f"{name}: other {kind} than on folders" for kind in wanted if held[kind] != wanted[kind]]
        wrong += [f"{name}: files left in the inbox"] if names(fleet.inbox) not in ([], sorted(SITES)) else []
    done = run_nightly(dam)  # reads what the files of months are made of: which that is, each machine knows for itself
    if done.files or done.days or done.failed or summary_if_idle(dam) is None:
        wrong.append("a new machine finds something left to do")
    if held_by(dam) != wanted:
        wrong.append("dam: a night changes what it holds")
    return wrong, n_killed


def many_runs(
    runs: int, seed: int, kinds: tuple[str, ...] = ("file", "s3"), *, tell: Callable[[str], object] = lambda words: None
) -> tuple[list[str], int]:
    """Runs on places of each kind; returns what was wrong, in words, and how many nights were killed."""
    wrong: list[str] = []
    n_killed = 0
    for i, kind in enumerate(kinds):
        with (
            tempfile.TemporaryDirectory() as folder,
            addresses(kind, Path(folder)) as new,
            nights(Path(folder)) as night,
        ):
            for run in range(i, runs, len(kinds)):
                root = Path(folder) / f"run{run}"
                found, killed = one_run(root, new, night, np.random.default_rng([seed, run]))
                wrong += [f"run {run} ({kind}): {words}" for words in found]
                n_killed += killed
                shutil.rmtree(root)
                tell(f"run {run} ({kind}): {killed} killed; {'; '.join(found) or 'right'}")
    return wrong, n_killed


def _tell(words: str) -> None:
    print(words, flush=True)


def main() -> int:
    """Run as a command."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--at", choices=("file", "s3"), help="only on places of this kind")
    given = parser.parse_args()
    began = time.monotonic()
    wrong, killed = many_runs(given.runs, given.seed, (given.at,) if given.at else ("file", "s3"), tell=_tell)
    print("\n".join(wrong) or "nothing wrong")
    print(f"{given.runs} runs, {killed} nights killed, {len(wrong)} wrong, {time.monotonic() - began:.0f} s")
    return bool(wrong)


if __name__ == "__main__":
    raise SystemExit(main())
