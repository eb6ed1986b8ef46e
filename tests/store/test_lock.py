"""One run at a time: the lock is held by a process, and free as soon as that process is gone."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.store.lock import LOCK_NAME, locked

HOLD = """
import sys, time
from pathlib import Path
from halfcycle.pipeline.store.lock import locked
with locked(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(float(sys.argv[2]))
"""
FULL_DISK = """
import resource, signal, sys
from pathlib import Path
from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.store.lock import locked
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
try:
    with locked(Path(sys.argv[1])):
        pass
except StoreError as error:
    print(error)
    sys.exit(1)
"""


@contextmanager
def holder(folder: Path, seconds: float = 60.0) -> Iterator[subprocess.Popen[str]]:
    """A process that holds a folder's lock."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(folder), str(seconds)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        try:
            yield child
        finally:
            child.kill()


def test_a_second_process_is_turned_away_with_the_number_of_the_first(tmp_path: Path) -> None:
    with (
        holder(tmp_path) as child,
        pytest.raises(StoreError, match=f"another run is in progress .process {child.pid}"),
        locked(tmp_path),
    ):
        pytest.fail("two runs at once")


def test_the_lock_is_free_at_once_when_its_holder_is_killed(tmp_path: Path) -> None:
    with holder(tmp_path) as child:
        child.send_signal(signal.SIGKILL)
        child.wait(timeout=20)
        with locked(tmp_path):
            assert (tmp_path / LOCK_NAME).exists()


def test_a_run_that_may_wait_gets_the_lock_when_the_other_ends(tmp_path: Path) -> None:
    with holder(tmp_path, 0.5) as child:
        began = time.monotonic()
        with locked(tmp_path, wait_s=30.0):
            assert child.wait(timeout=5) == 0
        assert time.monotonic() - began < 10


def test_a_run_that_waits_gives_up_after_its_time(tmp_path: Path) -> None:
    with holder(tmp_path):
        began = time.monotonic()
        with pytest.raises(StoreError, match="another run is in progress"), locked(tmp_path, wait_s=0.5):
            pytest.fail("two runs at once")
        assert 0.5 <= time.monotonic() - began < 5


def test_two_blocks_of_one_process_exclude_each_other_too(tmp_path: Path) -> None:
    with locked(tmp_path), pytest.raises(StoreError, match="another run"), locked(tmp_path):
        pytest.fail("two runs at once")
    with locked(tmp_path):
        pass


def test_the_lock_is_let_go_when_the_work_fails(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="broken"), locked(tmp_path):
        raise RuntimeError("broken")
    with locked(tmp_path):
        pass


def test_a_file_in_place_of_the_folder_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "store").write_text("a file")
    with pytest.raises(StoreError, match=r"store/\.lock: cannot be opened"), locked(tmp_path / "store"):
        pytest.fail("locked a file")


def test_a_full_disk_is_a_clear_error(tmp_path: Path) -> None:
    child = subprocess.run(
        [sys.executable, "-B", "-c", FULL_DISK, str(tmp_path)], capture_output=True, text=True, check=False, timeout=60
    )
    assert child.stderr == ""
    assert child.returncode == 1
    assert "cannot be written (File too large)" in child.stdout
