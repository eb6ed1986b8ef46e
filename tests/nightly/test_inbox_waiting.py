"""What waits in an inbox and is not taken: uploads under way, files that change, and what is no file at all."""

from __future__ import annotations

import os
import socket
import time
from pathlib import Path

import pytest
from made_fleet import SITE, loaded, made_capture, names, write_capture, write_fleet

from halfcycle.pipeline.config import Fleet, load_fleet
from halfcycle.pipeline.nightly import inbox as inbox_module
from halfcycle.pipeline.nightly import ingest as ingest_module
from halfcycle.pipeline.nightly.inbox import waiting
from halfcycle.pipeline.nightly.run import RunSummary, run_nightly
from halfcycle.pipeline.readers import capture_files, read_captures

SOURCE = "the project's own design: what is being written is left alone, what cannot be taken is counted and named"
START = "2026-03-01T12:00:00"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return loaded(write_fleet(tmp_path))


def put(fleet: Fleet, name: str = "a.csv", *, age_s: float = 3600.0) -> Path:
    path = write_capture(made_capture(START), fleet.inbox / SITE / name)
    stamp = time.time() - age_s
    os.utime(path, (stamp, stamp))
    return path


def patient(fleet: Fleet, settle_s: float = 30.0) -> Fleet:
    return fleet.model_copy(update={"run": fleet.run.model_copy(update={"settle_s": settle_s})})


def outcomes(summary: RunSummary) -> dict[str, str]:
    return {outcome.path.name: outcome.state for outcome in summary.files}


def test_files_settle_by_default(tmp_path: Path) -> None:
    # SOURCE.
    config = write_fleet(tmp_path, run="settle_s = 0.0")
    config.write_text(config.read_text().replace("settle_s = 0.0", ""))
    assert load_fleet(config).run.settle_s > 0


@pytest.mark.parametrize("ending", [".part", ".tmp", ".partial", ".PART"])
def test_uploads_under_way_are_left_with_the_files_of_their_stem(fleet: Fleet, ending: str) -> None:
    # SOURCE; the endings are common practice, no source.
    put(fleet, "b.csv")
    put(fleet, "a.csv")
    (fleet.inbox / SITE / f"a.dat{ending}").write_bytes(b"half")
    (fleet.inbox / SITE / ".c.csv").write_bytes(b"half")
    summary = run_nightly(fleet)
    assert outcomes(summary) == {"b.csv": "stored"}
    assert summary.n_settling == 2
    assert names(fleet.inbox) == [f"{SITE}/.c.csv", f"{SITE}/a.csv", f"{SITE}/a.dat{ending}"]


def test_a_file_dated_in_the_future_is_taken_when_its_size_stays(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE.
    monkeypatch.setattr(inbox_module, "_LONGEST_WATCH_S", 0.05)
    path = put(fleet, age_s=-30 * 86_400)
    assert waiting(patient(fleet)).ready == (path,)

    def write_on(seconds: float) -> None:
        with path.open("a") as stream:
            stream.write("\n")

    monkeypatch.setattr(inbox_module.time, "sleep", write_on)
    os.utime(path, (time.time() + 1e6, time.time() + 1e6))
    found = waiting(patient(fleet))
    assert (found.ready, found.settling) == ((), (path,))


def test_a_file_that_changes_while_it_is_read_is_left_and_taken_whole_the_next_time(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE: size and time stamp are looked at again just before the move.
    path = put(fleet)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2].rsplit(b"\n", 1)[0] + b"\n")

    def growing(*arguments: object, **options: object) -> object:
        yield from read_captures(*arguments, **options)  # type: ignore[arg-type]
        path.write_bytes(whole)

    monkeypatch.setattr(ingest_module, "read_captures", growing)
    summary = run_nightly(fleet)
    assert outcomes(summary) == {"a.csv": "left"}
    assert "changed while being read" in summary.left[0].reason
    assert not list((fleet.store / "waveforms").rglob("*.parquet"))
    monkeypatch.undo()
    assert outcomes(run_nightly(fleet)) == {"a.csv": "stored"}


@pytest.mark.parametrize("kind", ["pipe", "socket"])
def test_pipes_and_sockets_are_named_and_never_opened(fleet: Fleet, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE. A pipe without a writer would be waited for, for ever.
    put(fleet, "a.csv")
    folder = fleet.inbox / SITE
    if kind == "pipe":
        os.mkfifo(folder / "odd.csv")
    else:
        monkeypatch.chdir(folder)  # names of sockets are short
        with socket.socket(socket.AF_UNIX) as end:
            end.bind("odd.csv")
    summary = run_nightly(fleet)
    assert outcomes(summary) == {"a.csv": "stored", "odd.csv": "left"}
    assert "odd.csv" in summary.left[0].reason
    assert names(fleet.inbox) == [f"{SITE}/odd.csv"]


def test_a_pipe_among_the_files_of_a_folder_is_set_aside_also_as_a_companion(tmp_path: Path) -> None:
    # SOURCE.
    from halfcycle.pipeline.errors import ReadError

    os.mkfifo(tmp_path / "pipe.csv")
    write_capture(made_capture(START), tmp_path / "a.cfg")
    (tmp_path / "a.dat").unlink()
    os.mkfifo(tmp_path / "a.dat")
    assert tmp_path / "pipe.csv" in capture_files([tmp_path], in_bundles=True)
    for name, words in (("pipe.csv", "named pipe"), ("a.cfg", r"a\.")):
        with pytest.raises(ReadError, match=words):
            list(read_captures(tmp_path / name))


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_file_that_cannot_be_moved_is_named_and_stops_no_other(fleet: Fleet) -> None:
    # SOURCE.
    put(fleet, "locked/a.csv")
    put(fleet, "b.csv")
    (fleet.inbox / SITE / "locked").chmod(0o555)
    try:
        summary = run_nightly(fleet)
    finally:
        (fleet.inbox / SITE / "locked").chmod(0o755)
    assert outcomes(summary) == {"a.csv": "left", "b.csv": "stored"}


def test_a_file_whose_move_the_system_refuses_is_named_and_stops_no_other(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE; a refusal that the superuser meets too.
    put(fleet, "a.csv")
    put(fleet, "b.csv")
    unlink = Path.unlink

    def refusing(self: Path, missing_ok: bool = False) -> None:
        if self.name == "a.csv":
            raise PermissionError(1, "Operation not permitted", str(self))
        unlink(self, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", refusing)
    assert outcomes(run_nightly(fleet)) == {"a.csv": "left", "b.csv": "known"}
    assert outcomes(run_nightly(fleet)) == {"a.csv": "left"}
    monkeypatch.undo()
    assert outcomes(run_nightly(fleet)) == {}
    assert names(fleet.inbox) == []
