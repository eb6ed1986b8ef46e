"""Fuzz the whole line: hostile files go from reader and gate on to records, judgement, explanation and survey.

    python tests/properties/fuzz_line.py --cases 100000 --seed 1

Most cases are made by the grammar of their format (`hostile`), the others are damaged copies as `fuzz_readers` makes
them. A case is good where its file is refused with a ReadError, or where it and all that is made of it is done in time
and in bounded memory; want of memory is no good reason to refuse one. The files of some cases go through a night
together. Cases run in processes of their own that a crash may end: that counts, and the next goes on.
"""

from __future__ import annotations

import argparse
import hashlib
import shutil
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

HERE = Path(__file__).resolve().parent
for place in (HERE.parents[1], HERE):
    if str(place) not in sys.path:  # when run as a command
        sys.path.insert(0, str(place))

from forked_cases import Outcome, RunCase, parser, run_cases, write_case  # noqa: E402
from fuzz_readers import Good, damaged, good_files  # noqa: E402
from hostile import maker_for  # noqa: E402

from halfcycle.pipeline.capture import Capture, Channel, Header  # noqa: E402
from halfcycle.pipeline.catalogue.judge import Terms, judge  # noqa: E402
from halfcycle.pipeline.config import Thresholds  # noqa: E402
from halfcycle.pipeline.detectors.registry import choose  # noqa: E402
from halfcycle.pipeline.errors import HalfcycleError, ReaderFault, ReadError  # noqa: E402
from halfcycle.pipeline.events import catalogue_table  # noqa: E402
from halfcycle.pipeline.quantities import chosen_quantities  # noqa: E402
from halfcycle.pipeline.readers import read_captures  # noqa: E402
from halfcycle.pipeline.records.piece import Piece  # noqa: E402
from halfcycle.pipeline.records.record import records_of  # noqa: E402
from halfcycle.pipeline.survey.measure import Survey, measure_record  # noqa: E402

MOST_SECONDS = 5.0  # of processor time a case
MOST_BYTES = 512 << 20  # of further memory a case
GRAMMAR_SHARE = 0.7  # of the cases are made by the grammar of their format
CASES_A_FILE, FILES_A_NIGHT = 25, 40
SURVEYED: Final = 3  # of the files that are read one in three is surveyed, too
SITE: Final = "Mill Lane"
FLEET: Final = f'''[run]
settle_s = 0.0
[[sites]]
name = "{SITE}"
nominal_voltage_v = 230.0
nominal_frequency_hz = 50
hookup = "four-wire"
'''
SAG_NS: Final = 1_700_000_000_250_000_000
DETECTORS = {name: {} for name in ("transient", "unbalance", "frequency_deviation", "inrush")}
SMALL_STEPS = {"rapid_voltage_change": {"threshold_pct": 0.5, "hysteresis_pct": 0.25}}
TERMS = Terms(Thresholds(), detectors=choose({**DETECTORS, **SMALL_STEPS}), explain=True)
CORPUS = HERE / "corpus"  # files that once failed: each must be refused or done, for ever


def capture_with_sag() -> Capture:
    """Three voltages and currents for two thirds of a second, with a sag in them."""
    n = 1040
    t = np.arange(n) / 1600.0
    angles = 2 * np.pi * 50.0 * t - 2 * np.pi / 3 * np.arange(3)[:, None]
    depth = np.where((t > 0.25) & (t < 0.4), 0.6, 1.0)
    rng = np.random.default_rng(7)
    rows = np.concatenate([650 * depth * np.sin(angles), 100 / depth * np.sin(angles - 0.4)])
    rows += rng.normal(0, 2, rows.shape)
    channels = tuple(
        Channel(f"{letter}{phase}", "voltage" if letter == "U" else "current", phase, unit, scale=0.5)
        for letter, unit in (("U", "V"), ("I", "A"))
        for phase in "ABC"
    )
    header = Header(SITE, 1_700_000_000_000_000_000, 1600.0, n, channels, "int16", 50.0)
    return Capture(header, np.rint(rows).astype(np.int16))


def go_through(path: Path, *, seen: set[bytes] | None = None) -> tuple[bool, str | None]:  # noqa: PLR0911
    """Whether a file was read, and what went wrong that should not have, or None."""
    stage = "reader"
    try:
        captures = list(read_captures(path))
        if _were_seen(captures, seen):
            return True, None
        stage = "records"
        records = records_of([Piece(c.header, lambda c=c: c, c.digest) for c in captures])  # type: ignore[misc]
        for record in records:
            stage = "judge"
            found = judge(record, site="x", terms=TERMS)
            stage = "catalogue"
            catalogue_table(found.events)
            if any("not explained" in event.notes for event in found.events):
                return True, f"explain: {[event.notes for event in found.events]}"
            stage = "survey"
            if int(captures[0].digest(), 16) % SURVEYED == 0:
                _surveyed(record)
    except ReaderFault as error:
        return False, str(error)
    except ReadError as error:
        if stage == "reader" and not _wants_memory(error):
            return False, None
        return False, f"{stage}: {error}"
    except Exception as error:  # whatever else comes out is what is looked for
        return stage != "reader", f"{stage}: {type(error).__name__}: {error}"
    return True, None


def _were_seen(captures: list[Capture], seen: set[bytes] | None) -> bool:
    """Whether the same came of another file before."""
    if seen is None or not captures:
        return False
    key = hashlib.blake2b("".join(capture.digest() for capture in captures).encode(), digest_size=12).digest()
    if key in seen:
        return True
    seen.add(key)
    return False


def _wants_memory(error: BaseException | None) -> bool:
    while error is not None:
        if isinstance(error, MemoryError):
            return True
        error = error.__cause__ or error.__context__
    return False


def _surveyed(record: object) -> None:
    from halfcycle.pipeline.records.points import points_of

    survey = Survey(chosen_quantities(["u_rms", "f"]), 1.0)
    try:
        for point in points_of(record.header):  # type: ignore[attr-defined]
            measure_record(record, point, [survey])  # type: ignore[arg-type]
    except HalfcycleError:
        return  # it says in words what cannot be measured


def run_case(goods: list[Good], *, seed: int, case: int, folder: Path, seen: set[bytes] | None = None) -> Outcome:
    """Make one hostile file and let it go through; seed and case say which.

    `seen` holds what was made of files before: what is read the same again is not judged again.
    """
    rng = np.random.default_rng([seed, case, 12])
    kinds = sorted({good.reader for good in goods})
    kind = kinds[int(rng.integers(len(kinds)))]
    pool = [good for good in goods if good.reader == kind]
    good, donor = pool[int(rng.integers(len(pool)))], goods[int(rng.integers(len(goods)))]
    which = int(rng.integers(len(good.files)))
    by_grammar = bool(rng.random() < GRAMMAR_SHARE)
    files = list(good.files)
    name, content = files[which]
    made = maker_for(content)(content, rng) if by_grammar else damaged(content, donor.files[0][1], rng)
    files[which] = name, made
    write_case(folder, files)
    began = time.process_time()
    is_read, problem = go_through(folder / files[0][0], seen=seen)
    seconds = time.process_time() - began
    if problem is None and seconds > MOST_SECONDS:
        problem = f"took {seconds:.1f} s"
    return Outcome(good.reader, is_read, problem and f"{name} of {good.reader}: {problem}")


def prepare(arguments: argparse.Namespace, folder: Path) -> RunCase:
    """The good files, and what runs a case of them, now and then with a night over those since the last one."""
    goods = [good for good in good_files(folder / "good", capture_with_sag()) if not good.is_recording]
    for good in goods[::7]:  # what is loaded at first use is loaded now
        write_case(folder / "case", good.files)
        go_through(folder / "case" / good.files[0][0])
    import halfcycle.pipeline.nightly.run  # noqa: F401

    seen: set[bytes] = set()
    nights = Nights(folder / "night")

    def run(case: int) -> Outcome:
        outcome = run_case(goods, seed=arguments.seed, case=case, folder=folder / "case", seen=seen)
        problem = nights.add(folder / "case", case) if outcome.problem is None else None
        return outcome if problem is None else replace(outcome, problem=problem)

    return run


class Nights:
    """Nights over the files of some cases: each ends, moves every file, and finds the event of a good one."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._n = 0

    def add(self, files: Path, case: int) -> str | None:
        """Put the files of a case into the inbox; after some, what is wrong with the night over them, or None."""
        if case % CASES_A_FILE:
            return None
        self._n += 1
        shutil.copytree(files, self._folder / "inbox" / SITE / str(case))
        if self._n % FILES_A_NIGHT:
            return None
        try:
            return self._night(case)
        finally:
            if self._folder.exists():
                shutil.rmtree(self._folder)

    def _night(self, case: int) -> str | None:
        from halfcycle.pipeline.config import load_fleet
        from halfcycle.pipeline.events import events_of
        from halfcycle.pipeline.nightly.day_states import days_of
        from halfcycle.pipeline.nightly.days import read_catalogue
        from halfcycle.pipeline.nightly.run import run_nightly
        from halfcycle.pipeline.writers.parquet import write_waveform_parquet

        write_waveform_parquet(capture_with_sag(), self._folder / "inbox" / SITE / "good.parquet")
        config = self._folder / "fleet.toml"
        config.write_text(FLEET)
        fleet = load_fleet(config)
        try:
            run_nightly(fleet)
            found = events_of(read_catalogue(fleet, [day for day, _ in days_of(fleet)]))
        except Exception as error:
            kept = self._folder.parent / "case" / "night"
            shutil.copytree(self._folder / "inbox", kept / "inbox")
            shutil.copytree(fleet.store, kept / "store")
            return f"night after case {case}: {type(error).__name__}: {error}"
        left = [path for path in fleet.inbox.rglob("*") if path.is_file() and path.suffix != ".toml"]
        if left:
            return f"night after case {case}: left in the inbox: {left[:3]}"
        if not any(event.kind == "sag" and abs(event.start - SAG_NS) < 20_000_000 for event in found):
            return f"night after case {case}: the sag of the good file is not found"
        return None


def main(argv: list[str] | None = None) -> int:
    """Run cases; see `forked_cases`."""
    return run_cases(parser("Fuzz the whole line.").parse_args(argv), prepare, most_bytes=MOST_BYTES)


if __name__ == "__main__":
    sys.exit(main())
