"""Fuzz the whole line: hostile files go from reader and gate on to records, judgement, explanation and survey.

    python tests/properties/fuzz_line.py --cases 100000 --seed 1

Half of the cases are made by the grammar of their format (`hostile`), half are damaged copies as `fuzz_readers` makes
them. A case is good where its file is refused with a ReadError, or where it and all that is made of it is done in time
and in bounded memory. Cases run in a process of their own that a crash may end: that counts, and the next goes on.
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
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
for place in (HERE.parents[1], HERE):
    if str(place) not in sys.path:  # when run as a command
        sys.path.insert(0, str(place))

from fuzz_readers import BAD, Good, Outcome, damaged, good_files  # noqa: E402
from hostile import maker_for  # noqa: E402

from pipeline.capture import Capture, Channel, Header  # noqa: E402
from pipeline.catalogue.judge import Terms, judge  # noqa: E402
from pipeline.config import Thresholds  # noqa: E402
from pipeline.detectors.registry import choose  # noqa: E402
from pipeline.errors import HalfcycleError, ReaderFault, ReadError  # noqa: E402
from pipeline.events import catalogue_table  # noqa: E402
from pipeline.quantities import chosen_quantities  # noqa: E402
from pipeline.readers import read_captures  # noqa: E402
from pipeline.records.record import Piece, records_of  # noqa: E402
from pipeline.survey.measure import Survey, measure_record  # noqa: E402

MOST_SECONDS = 5.0  # of processor time a case
MOST_BYTES = 512 << 20  # of further memory a case
HANGS_S = 60
CORPUS = HERE / "corpus"  # files that once failed: each must be refused or done, for ever


def capture_with_sag() -> Capture:
    """Three voltages and currents for a second, with a sag in them."""
    t = np.arange(1600) / 1600.0
    angles = 2 * np.pi * 50.0 * t - 2 * np.pi / 3 * np.arange(3)[:, None]
    depth = np.where((t > 0.4) & (t < 0.6), 0.6, 1.0)
    rng = np.random.default_rng(7)
    rows = np.concatenate([650 * depth * np.sin(angles), 100 / depth * np.sin(angles - 0.4)]) + rng.normal(
        0, 2, (6, 1600)
    )
    channels = tuple(
        Channel(f"{letter}{phase}", "voltage" if letter == "U" else "current", phase, unit, scale=0.5)
        for letter, unit in (("U", "V"), ("I", "A"))
        for phase in "ABC"
    )
    header = Header("Mill Lane", 1_700_000_000_000_000_000, 1600.0, 1600, channels, "int16", 50.0)
    return Capture(header, np.rint(rows).astype(np.int16))


def go_through(path: Path) -> tuple[bool, str | None]:
    """Whether a file was read, and what went wrong that should not have, or None."""
    stage = "reader"
    try:
        captures = list(read_captures(path))
        stage = "records"
        records = records_of([Piece(c.header, lambda c=c: c, c.digest) for c in captures])  # type: ignore[misc]
        detectors = choose({"transient": {}, "rapid_voltage_change": {}, "unbalance": {}})
        terms = Terms(Thresholds(), detectors=detectors, explain=True)
        for record in records:
            stage = "judge"
            found = judge(record, site="x", terms=terms)
            stage = "catalogue"
            catalogue_table(found.events)
            if any("not explained" in event.notes for event in found.events):
                return True, f"explain: {[event.notes for event in found.events]}"
            stage = "survey"
            _surveyed(record)
    except ReaderFault as error:
        return False, str(error)
    except ReadError as error:
        return False, None if stage == "reader" else f"{stage}: {error}"
    except Exception as error:  # whatever else comes out is what is looked for
        return stage != "reader", f"{stage}: {type(error).__name__}: {error}"
    return True, None


def _surveyed(record: object) -> None:
    from pipeline.records.points import points_of

    survey = Survey(chosen_quantities(["u_rms", "f"]), 1.0)
    try:
        for point in points_of(record.header):  # type: ignore[attr-defined]
            measure_record(record, point, [survey])  # type: ignore[arg-type]
    except HalfcycleError:
        return  # it says in words what cannot be measured


def run_case(goods: list[Good], *, seed: int, case: int, folder: Path) -> Outcome:
    """Make one hostile file and let it go through; seed and case say which."""
    rng = np.random.default_rng([seed, case, 12])
    kinds = sorted({good.reader for good in goods})
    kind = kinds[int(rng.integers(len(kinds)))]
    pool = [good for good in goods if good.reader == kind]
    good, donor = pool[int(rng.integers(len(pool)))], goods[int(rng.integers(len(goods)))]
    which = int(rng.integers(len(good.files)))
    by_grammar = bool(rng.random() < 0.5)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for i, (name, content) in enumerate(good.files):
        if i == which:
            content = maker_for(name, content)(content, rng) if by_grammar else damaged(content, donor.files[0][1], rng)  # noqa: PLW2901
        (folder / name).write_bytes(content)
    began = time.process_time()
    is_read, problem = go_through(folder / good.files[0][0])
    seconds = time.process_time() - began
    if problem is None and seconds > MOST_SECONDS:
        problem = f"took {seconds:.1f} s"
    return Outcome(good.reader, is_read, problem and f"{good.files[which][0]} of {good.reader}: {problem}")


def _child(arguments: argparse.Namespace) -> None:
    folder = Path(arguments.folder)
    goods = [good for good in good_files(folder / "good", capture_with_sag()) if not good.is_recording]
    run_case(goods, seed=0, case=0, folder=folder / "case")
    pages = int(Path("/proc/self/statm").read_text().split()[0]) if sys.platform == "linux" else 0
    if pages:
        resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + MOST_BYTES, resource.RLIM_INFINITY))
    counts: dict[str, list[int]] = {}
    at_hand = os.open(folder / "at_hand", os.O_WRONLY | os.O_CREAT)
    for case in range(arguments.first, arguments.first + arguments.cases):
        os.pwrite(at_hand, b"%20d" % case, 0)
        signal.alarm(HANGS_S)
        outcome = run_case(goods, seed=arguments.seed, case=case, folder=folder / "case")
        signal.alarm(0)
        counts.setdefault(outcome.reader, [0, 0])[outcome.is_read] += 1
        if outcome.problem:
            print(f"{BAD} seed {arguments.seed} case {case}: {outcome.problem}"[:500], flush=True)
            if arguments.keep:
                shutil.copytree(folder / "case", Path(arguments.keep) / f"{arguments.seed}-{case}", dirs_exist_ok=True)
    for name, (n_refused, n_read) in sorted(counts.items()):
        print(f"{name}: {n_read} read, {n_refused} refused", flush=True)


def main(argv: list[str] | None = None) -> int:
    """Run cases in a process of their own, and again from the next one where a case ends that process."""
    parser = argparse.ArgumentParser(description="Fuzz the whole line.")
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--keep", help="folder for the files of cases that fail")
    parser.add_argument("--folder", help=argparse.SUPPRESS)
    arguments = parser.parse_args(argv)
    if arguments.folder:
        _child(arguments)
        return 0
    n_bad, first, end = 0, arguments.first, arguments.first + arguments.cases
    while first < end:
        with tempfile.TemporaryDirectory(prefix="fuzz-line-") as folder:
            words = ["--seed", arguments.seed, "--first", first, "--cases", end - first, "--folder", folder]
            words += ["--keep", arguments.keep] if arguments.keep else []
            command = [sys.executable, __file__, *map(str, words)]
            with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
                for line in child.stdout or ():
                    print(line, end="", flush=True)
                    n_bad += line.startswith(BAD)
            at_hand = Path(folder) / "at_hand"
            if child.returncode == 0:
                break
            if not at_hand.exists():
                return 2
            case = int(at_hand.read_text())
            print(f"{BAD} seed {arguments.seed} case {case}: ended the process ({child.returncode})", flush=True)
            n_bad, first = n_bad + 1, case + 1
    print(f"{arguments.cases} cases, {n_bad} of them neither refused nor done as they should be")
    return 1 if n_bad else 0


if __name__ == "__main__":
    sys.exit(main())
