"""A run that is killed at any moment is finished by the next: the same bytes, every file once, nothing left aside."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from made_fleet import (
    PLAIN_RUN,
    SITE,
    catalogue_bytes,
    cut,
    digests,
    loaded,
    made_capture,
    names,
    plain_run,
    write_capture,
    write_fleet,
)
from readers.pqdif_bytes import magnitude_file
from started_nights import Starter, starting

pytestmark = pytest.mark.slow

SITES = (SITE, "Öllwang 2", "Weir & Mill")


@pytest.fixture(scope="module")
def starter() -> Iterator[Starter]:
    with starting() as found:
        yield found


class Undisturbed(NamedTuple):
    """A fleet's files and what a run that nobody disturbs makes of them, and how long it takes. [s]"""

    filled: Path
    inbox: dict[str, str]
    catalogue: dict[str, str]
    waveforms: list[str]
    processed: list[str]
    quarantine: list[str]
    seconds: float


def undisturbed_run(root: Path, starter: Starter) -> Undisturbed:
    """A run over the files in a folder `filled`."""
    filled = root / "filled"
    config = new_fleet(root / "fleet", filled)
    starter.run(new_fleet(root / "first", filled))  # the first run in a process is slower
    began = time.monotonic()
    assert starter.run(config) == 0
    seconds = time.monotonic() - began
    fleet = loaded(config)
    assert names(fleet.inbox) == []
    return Undisturbed(
        filled,
        digests(filled),
        catalogue_bytes(fleet.store),
        names(fleet.store / "waveforms"),
        names(fleet.processed),
        names(fleet.quarantine),
        seconds,
    )


def new_fleet(root: Path, filled: Path) -> Path:
    config = write_fleet(root, sites=SITES, run="batch_files = 4")
    shutil.copytree(filled, root / "inbox", dirs_exist_ok=True)
    return config


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory, starter: Starter) -> Undisturbed:
    """Three sites' records over midnight in pairs and single files, one damaged, one of no site, one there twice,
    one without a waveform.
    """
    root = tmp_path_factory.mktemp("many")
    inbox = root / "filled"
    for i, site in enumerate(SITES):
        sags = [(3.0, 0.3, 0.6), (19.5, 1.2, 0.5), (35.0, 0.1, 0.3)]
        whole = made_capture("2026-03-01T23:59:40", seconds=40.0, sags=sags, station=site, seed=i)
        for k, piece in enumerate(cut(whole, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0)):
            ending = (".cfg", ".parquet", ".csv", ".cff")[(k + i) % 4]
            write_capture(piece, inbox / site / f"deep {k % 2}" / f"Größe {k}{ending}")
    shutil.copy(inbox / SITE / "deep 1" / "Größe 1.parquet", inbox / SITE / "twice.parquet")
    damaged(inbox / SITE / "damaged.cfg")
    write_capture(made_capture("2026-03-03T11:00:00"), inbox / "nowhere" / "a.cfg")
    (inbox / SITE / "trend.pqd").write_bytes(magnitude_file())
    return undisturbed_run(root, starter)


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory, starter: Starter) -> Undisturbed:
    """A record in two pairs of files over midnight, a damaged pair, and a file without a waveform."""
    root = tmp_path_factory.mktemp("few")
    inbox = root / "filled"
    whole = made_capture("2026-03-01T23:59:58", seconds=4.0, sags=[(1.5, 1.0, 0.6)])
    for k, piece in enumerate(cut(whole, 2.0)):
        write_capture(piece, inbox / SITE / f"{k}.cfg")
    damaged(inbox / SITE / "damaged.cfg")
    (inbox / SITE / "trend.pqd").write_bytes(magnitude_file())
    return undisturbed_run(root, starter)


def damaged(path: Path) -> None:
    data = write_capture(made_capture("2026-03-03T10:00:00"), path).with_suffix(".dat")
    data.write_bytes(data.read_bytes()[:-1000])


def check_nothing_is_lost(config: Path, expected: Undisturbed) -> None:
    """After a kill: the content of each input is somewhere."""
    fleet = loaded(config)
    roots = [root for root in (fleet.inbox, fleet.processed, fleet.quarantine) if root.exists()]
    held = {digest for root in roots for digest in digests(root).values()}
    assert set(expected.inbox.values()) <= held


def check_end(config: Path, expected: Undisturbed) -> None:
    """After the run that follows: everything is as if nobody had disturbed it."""
    fleet = loaded(config)
    assert names(fleet.inbox) == []
    assert names(fleet.processed) == expected.processed
    assert names(fleet.quarantine) == expected.quarantine
    assert names(fleet.store / "waveforms") == expected.waveforms
    assert catalogue_bytes(fleet.store) == expected.catalogue
    moved = digests(fleet.processed) | digests(fleet.quarantine)
    assert {name: mark for name, mark in moved.items() if not name.endswith(".reason.txt")} == expected.inbox
    assert [name for name in names(config.parent) if ".aside" in name] == []


def test_the_undisturbed_run_has_each_file_in_one_place_and_the_bad_ones_aside(many: Undisturbed) -> None:
    assert len(many.processed) + len(many.quarantine) == len(many.inbox) + 3  # with three reasons
    assert [name for name in many.processed if name.endswith(".reason.txt")] == [f"{SITE}/trend.pqd.reason.txt"]
    assert [name for name in many.quarantine if name.endswith(".cfg")] == [f"{SITE}/damaged.cfg", "nowhere/a.cfg"]
    assert len(many.waveforms) == 4 * len(SITES)  # of eight captures five are of one day, and lie in one file


@pytest.mark.parametrize("seed", [*range(3), *(pytest.param(i, marks=pytest.mark.long) for i in range(3, 12))])
def test_a_run_killed_twice_at_any_moment_is_finished_by_the_next(
    tmp_path: Path, starter: Starter, many: Undisturbed, seed: int
) -> None:
    config = new_fleet(tmp_path / "fleet", many.filled)
    rng = random.Random(seed)
    for _ in range(2):
        child = starter.start(config)
        time.sleep(rng.uniform(0.0, many.seconds))
        os.kill(child, signal.SIGKILL)
        assert starter.status() in (-signal.SIGKILL, 0)
        check_nothing_is_lost(config, many)
    assert starter.run(config) == 0
    check_end(config, many)
    assert starter.run(config) == 0
    check_end(config, many)


@pytest.mark.long
def test_a_run_killed_before_any_step_on_the_disk_is_finished_by_the_next(
    tmp_path: Path, starter: Starter, few: Undisturbed
) -> None:
    step = 0
    while True:
        config = new_fleet(tmp_path / f"fleet {step}", few.filled)
        starter.start(config, step=step)
        status = starter.status()
        check_nothing_is_lost(config, few)
        assert starter.run(config) == 0
        check_end(config, few)
        if status == 0:
            break
        assert status == -signal.SIGKILL
        step += 1
    assert step >= 20  # 2 captures and 2 days are put in place, 7 files linked and 7 removed, 2 reasons are written


@pytest.mark.long
@pytest.mark.parametrize("delay_s", [0.0, 0.05, 0.2])
def test_a_run_of_its_own_interpreter_that_is_killed_is_finished_by_the_next(
    tmp_path: Path, many: Undisturbed, delay_s: float
) -> None:
    config = new_fleet(tmp_path / "fleet", many.filled)
    with subprocess.Popen([sys.executable, "-c", PLAIN_RUN, str(config)]) as child:
        while child.poll() is None and not (tmp_path / "fleet" / "store" / ".lock").exists():
            time.sleep(0.002)
        time.sleep(delay_s)
        child.send_signal(signal.SIGKILL)
        assert child.wait(timeout=20) == -signal.SIGKILL
    check_nothing_is_lost(config, many)
    done = plain_run(config)
    assert done.returncode == 0, done.stderr
    check_end(config, many)
