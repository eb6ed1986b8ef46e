"""The demo fleet, built once for all examples and snippets, and a copy of it for each process that tests."""

from __future__ import annotations

import fcntl
import shutil
from pathlib import Path

import pytest

from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.demo import build_demo_fleet, write_demo_config
from halfcycle.pipeline.nightly.day_states import days_of
from halfcycle.pipeline.nightly.days import read_catalogue
from halfcycle.pipeline.nightly.run import run_nightly


def build_demo(folder: Path) -> None:
    """What `halfcycle demo` leaves in a folder, without its flow: tests/flows compares the two."""
    place = folder / "demo-fleet"
    build_demo_fleet(place)
    fleet = load_fleet(write_demo_config(place))
    run_nightly(fleet)
    write_table(read_catalogue(fleet, [day for day, _ in days_of(fleet)]), place / "events.parquet")


@pytest.fixture(scope="session")
def built_demo(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """A folder in which `halfcycle demo` was run; of several processes one builds it."""
    own = tmp_path_factory.mktemp("demo")
    if worker_id == "master":
        build_demo(own)
        return own
    shared = tmp_path_factory.getbasetemp().parent / "built demo"
    with shared.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (shared / "demo-fleet" / "events.parquet").exists():
            build_demo(shared)
    return shutil.copytree(shared, own, dirs_exist_ok=True)


@pytest.fixture
def demo_folder(built_demo: Path, tmp_path: Path) -> Path:
    shutil.copytree(built_demo, tmp_path / "here")
    return tmp_path / "here"
