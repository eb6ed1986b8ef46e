"""A full disk or a folder that cannot be written: a clear error, the old files whole, the new ones still in the inbox.

The full disk is a real limit of the system: no file of the process may grow beyond a size (POSIX, setrlimit,
RLIMIT_FSIZE). Where the tests run as root and may mount, a small file system in memory is filled, too.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    digests,
    halfcycle,
    loaded,
    made_capture,
    names,
    plain_run,
    write_capture,
    write_fleet,
)

pytestmark = pytest.mark.slow

# The command, with a limit on the size of files.
LIMITED = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv.pop(1)),) * 2)
from halfcycle.pipeline.cli import main
main()
"""


def limited(n_bytes: int, *words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-B", "-c", LIMITED, str(n_bytes), *(str(word) for word in words)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


@pytest.fixture(scope="module")
def half_done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet with one day done and one in the inbox."""
    config = write_fleet(tmp_path_factory.mktemp("half done") / "fleet")
    fleet = loaded(config)
    write_capture(made_capture("2026-03-01T12:00:00", sags=[(0.5, 0.2, 0.5)]), fleet.inbox / SITE / "old.csv")
    assert plain_run(config).returncode == 0
    write_capture(made_capture("2026-03-02T12:00:00", sags=[(0.5, 0.2, 0.5)], seed=2), fleet.inbox / SITE / "new.cfg")
    return config.parent


@pytest.fixture
def config(half_done: Path, tmp_path: Path) -> Path:
    """The same, for a test to change."""
    return shutil.copytree(half_done, tmp_path / "fleet") / "fleet.toml"


def check_clear_error(done: subprocess.CompletedProcess[str], word: str = "cannot be written") -> None:
    assert done.returncode == 1, done.stderr
    assert word in done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) == 1


# 0: not even the lock's holder can be written; 1000: no waveform; 5000: the waveform (some 3.5 kB), but no catalogue.
@pytest.mark.parametrize("n_bytes", [0, 1000, 5000])
@pytest.mark.long
def test_a_full_disk_fails_with_a_clear_word_and_leaves_old_and_new_files_whole(config: Path, n_bytes: int) -> None:
    fleet = loaded(config)
    catalogue, inputs = catalogue_bytes(fleet.store), digests(fleet.inbox)
    check_clear_error(limited(n_bytes, "ingest", "--config", config) if n_bytes < 5000 else
                      limited(n_bytes, "catalogue", "--config", after_ingest(config)))  # fmt: skip
    assert catalogue_bytes(fleet.store) == catalogue
    assert {**digests(fleet.inbox), **digests(fleet.processed)}.items() >= inputs.items()
    assert [name for name in names(config.parent) if ".aside" in name] == []
    done = plain_run(config)
    assert done.returncode == 0, done.stderr
    assert len(catalogue_bytes(fleet.store)) == 2


def after_ingest(config: Path) -> Path:
    assert halfcycle("ingest", "--config", config).returncode == 0
    return config


@pytest.mark.long
def test_a_written_catalogue_that_does_not_fit_leaves_the_old_one(config: Path, tmp_path: Path) -> None:
    for ending in (".parquet", ".csv", ".ndjson"):
        out = tmp_path / f"e{ending}"
        out.write_text("the old one")
        assert plain_run(config).returncode == 0
        check_clear_error(limited(200, "catalogue", "--config", config, "--out", out))
        assert out.read_text() == "the old one"
    assert sorted(path.name for path in tmp_path.iterdir() if path.is_file()) == ["e.csv", "e.ndjson", "e.parquet"]


def test_a_screening_that_does_not_fit_fails_with_a_clear_word(tmp_path: Path) -> None:
    write_capture(made_capture("2026-03-01T12:00:00", sags=[(0.5, 0.2, 0.5)]), tmp_path / "in" / "a.csv")
    check_clear_error(limited(200, "screen", tmp_path / "in", "--out", tmp_path / "e.parquet"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in"]


@pytest.mark.parametrize("blocked", ["store", "processed"])
def test_a_file_in_place_of_a_folder_is_a_clear_error_and_the_inbox_stays(tmp_path: Path, blocked: str) -> None:
    config = write_fleet(tmp_path / "fleet")
    fleet = loaded(config)
    write_capture(made_capture("2026-03-01T12:00:00"), fleet.inbox / SITE / "a.cfg")
    inputs = digests(fleet.inbox)
    (config.parent / blocked).write_text("a file in its place")
    check_clear_error(halfcycle("ingest", "--config", config), "cannot be")
    assert digests(fleet.inbox) == inputs
    (config.parent / blocked).unlink()
    assert plain_run(config).returncode == 0
    assert names(fleet.inbox) == []


def test_a_file_in_place_of_the_quarantine_is_a_clear_error_and_the_inbox_stays(tmp_path: Path) -> None:
    config = write_fleet(tmp_path / "fleet")
    bad = loaded(config).inbox / SITE / "bad.csv"
    bad.parent.mkdir()
    bad.write_bytes(b"\x00")
    (config.parent / "quarantine").write_text("a file in its place")
    check_clear_error(halfcycle("ingest", "--config", config))
    assert bad.exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_leave_to_write_is_a_clear_error(config: Path) -> None:
    store = loaded(config).store
    for folder in (store, *(path for path in store.rglob("*") if path.is_dir())):
        folder.chmod(0o555)
    try:
        check_clear_error(halfcycle("ingest", "--config", config))
    finally:
        for folder in (store, *(path for path in store.rglob("*") if path.is_dir())):
            folder.chmod(0o755)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 256 kB."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = (
        os.geteuid() == 0
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)], capture_output=True, check=False
        ).returncode
    )
    if not mounted:
        pytest.skip("no leave to mount a file system")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_fills_up_in_the_middle_of_a_run_stops_it_and_room_lets_the_next_one_finish(
    small_disk: Path, tmp_path: Path
) -> None:
    config = write_fleet(tmp_path / "fleet")
    text = config.read_text()
    places = [f'{key} = "{small_disk / key}"' for key in ("store", "processed", "quarantine")]
    config.write_text("\n".join([*places, text]))
    fleet = loaded(config)
    for i in range(12):
        capture = made_capture(f"2026-03-01T{i:02}:00:00", seconds=8.0, sags=[(0.5, 0.2, 0.5)], seed=i)
        write_capture(capture, fleet.inbox / SITE / f"{i:02}.cfg")
    inputs = digests(fleet.inbox)
    check_clear_error(halfcycle("ingest", "--config", config), "No space left on device")
    assert set(inputs.values()) <= set(digests(fleet.inbox).values()) | set(digests(fleet.processed).values())
    assert 0 < len(names(fleet.inbox)) < len(inputs)
    subprocess.run(["mount", "-o", "remount,size=8m", str(small_disk)], check=True)
    done = plain_run(config)
    assert done.returncode == 0, done.stderr
    assert names(fleet.inbox) == []
    assert digests(fleet.processed) == inputs
    assert [name for name in names(small_disk) if ".aside" in name] == []
