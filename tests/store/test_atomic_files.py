"""Files are there whole or not at all, whatever happens while they are written."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.store.atomic import clear_staging, put_in_place, stage, write_atomically

# Writes 64 kB at a time until it is killed, or the file may not grow further.
SLOW_WRITE = """
import sys
from pathlib import Path
from halfcycle.pipeline.store.atomic import write_atomically

def write(aside):
    with aside.open("wb") as stream:
        while True:
            stream.write(b"new" * 20000)
            stream.flush()
            print(aside, flush=True)

write_atomically(Path(sys.argv[1]), write)
"""
LIMITED_WRITE = """
import resource, signal, sys
from pathlib import Path
from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.store.atomic import write_atomically

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
try:
    write_atomically(Path(sys.argv[1]), lambda aside: aside.write_bytes(b"new" * 20000))
except StoreError as error:
    print(error)
    sys.exit(1)
"""


def test_a_file_is_made_with_its_folders_and_replaces_an_older_one(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "er" / "file.txt"
    write_atomically(path, lambda aside: aside.write_text("old"))  # type: ignore[arg-type,return-value]
    write_atomically(path, lambda aside: aside.write_text("new"))  # type: ignore[arg-type,return-value]
    assert path.read_text() == "new"
    assert list(path.parent.iterdir()) == [path]


def test_it_is_written_under_its_own_ending_aside_from_its_place(tmp_path: Path) -> None:
    places: list[Path] = []

    def write(aside: Path) -> None:
        places.append(aside)
        aside.write_text("x")

    write_atomically(tmp_path / "table.parquet", write, staging=tmp_path / "aside")
    assert places[0].parent == tmp_path / "aside"
    assert places[0].suffix == ".parquet"
    assert (tmp_path / "table.parquet").read_text() == "x"


def test_a_staged_file_has_no_name_until_it_is_put_in_place(tmp_path: Path) -> None:
    path = tmp_path / "file.txt"
    aside = stage(path, lambda place: place.write_text("x"), staging=tmp_path / "s")  # type: ignore[arg-type,return-value]
    assert not path.exists()
    put_in_place(aside, path)
    assert path.read_text() == "x"
    assert not aside.exists()


def test_a_failed_write_says_so_and_leaves_the_old_file_and_nothing_aside(tmp_path: Path) -> None:
    path = tmp_path / "file.txt"
    path.write_text("old")

    def write(aside: Path) -> None:
        aside.write_text("half")
        raise OSError(28, "No space left on device")

    with pytest.raises(StoreError, match=r"file\.txt: cannot be written \(No space left on device\)"):
        write_atomically(path, write)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_full_disk_leaves_the_old_file_and_nothing_aside(tmp_path: Path) -> None:
    path = tmp_path / "file.txt"
    path.write_text("old")
    child = subprocess.run(
        [sys.executable, "-B", "-c", LIMITED_WRITE, str(path)], capture_output=True, text=True, check=False, timeout=60
    )
    assert child.returncode == 1, child.stderr
    assert "file.txt: cannot be written (File too large)" in child.stdout
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_writer_that_is_killed_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "file.txt"
    path.write_text("old")
    with subprocess.Popen([sys.executable, "-c", SLOW_WRITE, str(path)], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        aside = Path(child.stdout.readline().strip())
        child.send_signal(signal.SIGKILL)
        child.wait(timeout=20)
    assert aside.stat().st_size > 0
    assert path.read_text() == "old"


def test_a_file_in_place_of_the_folder_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "folder").write_text("a file")
    with pytest.raises(StoreError, match=r"cannot be written \((File exists|Not a directory)\)"):
        write_atomically(tmp_path / "folder" / "file.txt", lambda aside: aside.write_text("x"))  # type: ignore[arg-type,return-value]


def test_a_folder_in_place_of_the_file_is_a_clear_error_and_nothing_is_left_aside(tmp_path: Path) -> None:
    (tmp_path / "file.txt").mkdir()
    with pytest.raises(StoreError, match=r"file\.txt: cannot be written \(Is a directory\)"):
        write_atomically(tmp_path / "file.txt", lambda aside: aside.write_text("x"))  # type: ignore[arg-type,return-value]
    assert [path.name for path in tmp_path.iterdir()] == ["file.txt"]


def test_names_of_the_greatest_length_can_be_written(tmp_path: Path) -> None:
    path = tmp_path / ("n" * 251 + ".txt")  # 255 bytes: the longest name of the usual Linux file systems
    write_atomically(path, lambda aside: aside.write_text("x"))  # type: ignore[arg-type,return-value]
    assert path.read_text() == "x"


def test_leftovers_of_a_killed_run_are_cleared(tmp_path: Path) -> None:
    staging = tmp_path / "staging"
    assert clear_staging(staging) == 0
    staging.mkdir()
    for name in (".aside-1-2-a.parquet", ".aside-1-2-b.parquet"):
        (staging / name).write_text(str(time.time()))
    assert clear_staging(staging) == 2
    assert list(staging.iterdir()) == []
