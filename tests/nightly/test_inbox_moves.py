"""Files that leave the inbox: each to one place, with its companions, whatever its name and wherever a move was cut."""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from made_fleet import SITE, digests, loaded, made_capture, names, write_capture, write_fleet

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.nightly.inbox import batches_of, to_processed, to_quarantine, waiting
from halfcycle.pipeline.nightly.run import RunSummary, run_nightly
from halfcycle.pipeline.readers import read_captures

START = "2026-03-01T12:00:00"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return loaded(write_fleet(tmp_path / "fleet"))


@pytest.fixture
def other_disk(tmp_path: Path) -> Iterator[Path]:
    """A folder on another file system than the temporary files."""
    root = Path("/dev/shm")
    if not root.is_dir() or not os.access(root, os.W_OK) or root.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("no second file system to write to")
    folder = root / f"halfcycle-test-{os.getpid()}-{time.monotonic_ns()}"
    folder.mkdir()
    yield folder
    shutil.rmtree(folder)


def states_of(summary: RunSummary) -> dict[str, str]:
    return {outcome.path.name: outcome.state for outcome in summary.files}


# Blanks, signs, letters beyond ASCII, bytes that are no UTF-8 (Latin-1 "ü"), and a name so long (255 bytes are the most
# that Linux file systems take) that the one of its reason must be cut.
ODD_NAMES = [
    "with blanks and (signs) & more, 100 %.csv",
    "Übergabe Süd 東 1.csv",
    "'quoted' \"name\".csv",
    "line\nbreak.csv",
    "-o.csv",
    os.fsdecode(b"S\xfcd.csv"),
    "n" * 246 + ".csv",
]


@pytest.mark.parametrize("name", ODD_NAMES)
@pytest.mark.parametrize("good", [True, False], ids=["good", "bad"])
def test_a_file_of_any_name_in_any_depth_of_folders_goes_to_its_place(fleet: Fleet, name: str, good: bool) -> None:
    relative = Path(SITE, "Größe 2", "a b", name)
    path = fleet.inbox / relative
    if good:
        write_capture(made_capture(START), path)
    else:
        path.parent.mkdir(parents=True)
        path.write_bytes(b"\x00\x01 no capture")
    summary = run_nightly(fleet)
    assert [outcome.state for outcome in summary.files] == ["stored" if good else "quarantined"]
    root, other = (fleet.processed, fleet.quarantine) if good else (fleet.quarantine, fleet.processed)
    assert (root / relative).is_file()
    assert names(fleet.inbox) == []
    assert not other.exists() or names(other) == []
    reasons = [path for path in root.rglob("*") if path.name.endswith(".reason.txt")]
    assert len(reasons) == (0 if good else 1)
    assert all("no reader recognises the file" in reason.read_text(encoding="utf-8") for reason in reasons)


@pytest.mark.parametrize(
    ("cfg", "dat"), [("R.cfg", "R.dat"), ("R.CFG", "R.DAT"), ("R.Cfg", "R.DAT"), ("R 1.x.cfg", "R 1.x.dat")]
)
def test_a_pair_of_files_moves_together_in_whatever_case_it_is_written(fleet: Fleet, cfg: str, dat: str) -> None:
    folder = fleet.inbox / SITE
    made = write_capture(made_capture(START), folder / "made.cfg")
    made.rename(folder / cfg)
    made.with_suffix(".dat").rename(folder / dat)
    assert states_of(run_nightly(fleet)) == {cfg: "stored"}
    assert names(fleet.processed) == sorted([f"{SITE}/{cfg}", f"{SITE}/{dat}"])
    assert names(fleet.inbox) == []


def test_a_pair_without_its_data_is_quarantined_and_may_come_again_whole(fleet: Fleet) -> None:
    path = write_capture(made_capture(START), fleet.inbox / SITE / "R.cfg")
    data = path.with_suffix(".dat").rename(fleet.inbox.parent / "R.dat")
    (outcome,) = run_nightly(fleet).files
    assert outcome.state == "quarantined"
    assert "R.dat is missing" in outcome.reason
    (fleet.quarantine / SITE / "R.cfg").rename(path)
    data.rename(path.with_suffix(".dat"))
    assert states_of(run_nightly(fleet)) == {"R.cfg": "stored"}


def test_a_broken_link_is_quarantined_each_time_it_comes(fleet: Fleet) -> None:
    link = fleet.inbox / SITE / "gone.csv"
    link.parent.mkdir()
    link.symlink_to("../nowhere/at all.csv")
    assert states_of(run_nightly(fleet)) == {"gone.csv": "quarantined"}
    link.symlink_to("../nowhere/else.csv")
    assert states_of(run_nightly(fleet)) == {"gone.csv": "quarantined"}
    link.symlink_to("../nowhere/at all.csv")
    assert states_of(run_nightly(fleet)) == {}  # the same link is there: what a run that was killed would leave
    assert names(fleet.inbox) == []
    links = list(fleet.quarantine.rglob("*.csv"))
    assert sorted(Path(os.readlink(path)).name for path in links) == ["at all.csv", "else.csv"]
    assert all(path.with_name("gone.csv.reason.txt").is_file() for path in links)


def test_a_link_that_leads_to_itself_is_quarantined(fleet: Fleet) -> None:
    link = fleet.inbox / SITE / "loop.csv"
    link.parent.mkdir()
    link.symlink_to("loop.csv")
    assert states_of(run_nightly(fleet)) == {"loop.csv": "quarantined"}
    assert names(fleet.inbox) == []


def test_a_relative_link_to_a_file_elsewhere_is_read_and_still_leads_there_afterwards(fleet: Fleet) -> None:
    target = write_capture(made_capture(START), fleet.inbox.parent / "archive" / "R.csv")
    link = fleet.inbox / SITE / "deep" / "R.csv"
    link.parent.mkdir(parents=True)
    link.symlink_to("../../../archive/R.csv")
    assert states_of(run_nightly(fleet)) == {"R.csv": "stored"}
    moved = fleet.processed / SITE / "deep" / "R.csv"
    assert moved.is_symlink()
    assert moved.read_bytes() == target.read_bytes()
    assert names(fleet.inbox) == []


@pytest.mark.parametrize(
    ("target", "link"), [("a.csv", "b.csv"), ("b.csv", "a.csv"), ("x/a.csv", "b.csv"), ("a.csv", "x/b.csv")]
)
@pytest.mark.parametrize("batch_files", [1, 100])
def test_a_link_to_another_file_of_the_inbox_is_a_second_name_of_its_capture(
    fleet: Fleet, target: str, link: str, batch_files: int
) -> None:
    fleet = fleet.model_copy(update={"run": fleet.run.model_copy(update={"batch_files": batch_files})})
    real = write_capture(made_capture(START), fleet.inbox / SITE / target)
    second = fleet.inbox / SITE / link
    second.parent.mkdir(exist_ok=True)
    second.symlink_to(os.path.relpath(real, second.parent))
    summary = run_nightly(fleet)
    assert sorted(outcome.state for outcome in summary.files) == ["known", "stored"]
    assert names(fleet.inbox) == []
    contents = {path.read_bytes() for path in (fleet.processed / SITE).rglob("*.csv")}
    assert names(fleet.processed) == sorted([f"{SITE}/{target}", f"{SITE}/{link}"])
    assert len(contents) == 1


def test_links_to_folders_do_no_harm(fleet: Fleet) -> None:
    write_capture(made_capture(START), fleet.inbox / SITE / "R.csv")
    (fleet.inbox / SITE / "again").symlink_to(".")
    assert states_of(run_nightly(fleet)) == {"R.csv": "stored"}


def test_a_file_that_comes_again_is_known_and_kept_once(fleet: Fleet) -> None:
    path = fleet.inbox / SITE / "R.cfg"
    for state in ("stored", "known"):
        write_capture(made_capture(START), path)
        assert states_of(run_nightly(fleet)) == {"R.cfg": state}
    assert names(fleet.processed) == [f"{SITE}/R.cfg", f"{SITE}/R.dat"]


@pytest.mark.parametrize("ending", [".cfg", ".csv"])
def test_another_capture_under_a_name_that_was_there_before_is_kept_beside_it_and_can_be_read(
    fleet: Fleet, ending: str
) -> None:
    path = fleet.inbox / SITE / f"R{ending}"
    captures = [made_capture(START, seed=seed) for seed in (1, 2, 2, 1)]
    for capture in captures:
        write_capture(capture, path)
        run_nightly(fleet)
    kept = sorted(fleet.processed.rglob(f"*{ending}"))
    assert {next(read_captures(place)).samples.tobytes() for place in kept} == {
        next(read_captures(write_capture(capture, fleet.store.parent / f"x{ending}"))).samples.tobytes()
        for capture in captures[:2]
    }
    assert len(kept) == 2


def test_two_bad_files_of_one_name_each_have_their_reason_beside_them(fleet: Fleet) -> None:
    path = fleet.inbox / SITE / "R.csv"
    path.parent.mkdir()
    for content in (b"", b"\x00\x01 no capture"):
        path.write_bytes(content)
        run_nightly(fleet)
    bad = list(fleet.quarantine.rglob("*.csv"))
    assert len(bad) == 2
    reasons = {place.read_bytes(): place.with_name("R.csv.reason.txt").read_text() for place in bad}
    assert "empty" in reasons[b""]
    assert "no reader" in reasons[b"\x00\x01 no capture"]


def test_a_folder_with_the_name_of_an_earlier_file_finds_its_place(fleet: Fleet) -> None:
    (fleet.inbox / SITE).mkdir()
    (fleet.inbox / SITE / "upload").write_bytes(b"\x00 no capture")
    run_nightly(fleet)
    (fleet.inbox / SITE / "upload").mkdir()
    (fleet.inbox / SITE / "upload" / "bad.csv").write_bytes(b"\x00 no capture")
    assert states_of(run_nightly(fleet)) == {"bad.csv": "quarantined"}
    assert names(fleet.inbox) == []
    assert len(list(fleet.quarantine.rglob("bad.csv"))) == 1


def test_two_files_that_share_a_description_both_find_it(fleet: Fleet) -> None:
    first = write_capture(made_capture(START, seed=1), fleet.inbox / SITE / "R.csv")
    second = write_capture(made_capture("2026-03-01T13:00:00", seed=2), fleet.inbox / SITE / "R.tsv")
    (first.parent / "R.toml").write_text('station = "REC-9"\n', encoding="utf-8")
    assert second.exists()
    assert states_of(run_nightly(fleet)) == {"R.csv": "stored", "R.tsv": "stored"}
    assert names(fleet.inbox) == []
    assert names(fleet.processed) == [f"{SITE}/R.csv", f"{SITE}/R.toml", f"{SITE}/R.tsv"]
    stations = {
        next(read_captures(path)).header.station for path in fleet.store.rglob("*.parquet") if "waveforms" in str(path)
    }
    assert stations == {"REC-9"}


def test_batches_hold_to_their_limits_and_leave_no_file_out(fleet: Fleet) -> None:
    files = [write_capture(made_capture(START, seconds=0.2, seed=i), fleet.inbox / SITE / f"{i}.csv") for i in range(7)]
    size = max(path.stat().st_size for path in files)
    for update, most in (
        ({"batch_files": 3}, 3),
        ({"batch_megabytes": 2.5 * size / 1e6}, 2),
        ({"batch_megabytes": 1e-9}, 1),
    ):
        limited = fleet.model_copy(update={"run": fleet.run.model_copy(update=update)})
        batches = batches_of(waiting(limited).ready, limited)
        assert [path for batch in batches for path in batch] == files
        assert max(len(batch) for batch in batches) == most


def test_files_that_changed_a_moment_ago_are_left_to_settle_with_their_companions(fleet: Fleet) -> None:
    patient = fleet.model_copy(update={"run": fleet.run.model_copy(update={"settle_s": 60.0})})
    old = time.time() - 3600
    settled = write_capture(made_capture(START), fleet.inbox / SITE / "settled.cfg")
    growing = write_capture(made_capture(START), fleet.inbox / SITE / "growing.cfg")
    for path in (settled, settled.with_suffix(".dat"), growing):
        os.utime(path, (old, old))
    assert waiting(patient).ready == (settled,)
    os.utime(growing.with_suffix(".dat"), (old, old))
    assert waiting(patient).ready == (growing, settled)


def test_an_inbox_that_is_missing_is_a_clear_error(fleet: Fleet) -> None:
    fleet.inbox.rmdir()
    with pytest.raises(StoreError, match="the inbox is not a folder"):
        run_nightly(fleet)


# --- Moves that are cut ----------------------------------------------------------------------------------------------


def cut_moves(fleet: Fleet, path: Path, monkeypatch: pytest.MonkeyPatch, *, at: int, quarantine: bool = False) -> int:
    """Move a file out of the inbox, but stop after `at` removals, as a kill would; returns the removals made."""
    real, made = Path.unlink, [0]

    class Cut(BaseException):
        pass

    def unlink(self: Path, missing_ok: bool = False) -> None:
        if self.is_relative_to(fleet.inbox):
            if made[0] == at:
                raise Cut
            made[0] += 1
        real(self, missing_ok=missing_ok)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", unlink)
        with contextlib.suppress(Cut):
            to_quarantine(path, "a reason", fleet) if quarantine else to_processed(path, fleet)
    return made[0]


@pytest.mark.parametrize("at", [0, 1, 2])
@pytest.mark.parametrize("again", [False, True], ids=["first", "beside another"])
@pytest.mark.parametrize("apart", [False, True], ids=["same disk", "other disk"])
def test_a_move_that_is_cut_between_the_files_of_a_pair_is_finished_by_the_next_run(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest, at: int, again: bool, apart: bool
) -> None:
    if apart:
        fleet = fleet.model_copy(update={"processed": request.getfixturevalue("other_disk") / "processed"})
    path = fleet.inbox / SITE / "R.cfg"
    if again:
        write_capture(made_capture(START, seed=2), path)
        run_nightly(fleet)
    n_before = len(names(fleet.processed)) if again else 0
    write_capture(made_capture(START), path)
    contents = set(digests(fleet.inbox).values())
    assert cut_moves(fleet, path, monkeypatch, at=at) == at
    run_nightly(fleet)
    assert names(fleet.inbox) == []
    assert contents <= set(digests(fleet.processed).values())
    assert len(names(fleet.processed)) == n_before + 2
    assert not fleet.quarantine.exists() or names(fleet.quarantine) == []


@pytest.mark.parametrize("at", [0, 1])
@pytest.mark.parametrize("broken", [False, True])
def test_a_move_of_a_link_that_is_cut_is_finished_by_the_next_run(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, at: int, broken: bool
) -> None:
    target = fleet.inbox.parent / "R.csv"
    if not broken:
        write_capture(made_capture(START), target)
    link = fleet.inbox / SITE / "R.csv"
    link.parent.mkdir()
    link.symlink_to(target)
    cut_moves(fleet, link, monkeypatch, at=at, quarantine=broken)
    run_nightly(fleet)
    assert names(fleet.inbox) == []
    root = fleet.quarantine if broken else fleet.processed
    assert [name for name in names(root) if name.endswith(".csv")] == [f"{SITE}/R.csv"]


def test_a_move_to_another_disk_leaves_whole_files_and_nothing_aside(fleet: Fleet, other_disk: Path) -> None:
    apart = fleet.model_copy(update={"processed": other_disk / "done", "quarantine": other_disk / "bad"})
    path = write_capture(made_capture(START), fleet.inbox / SITE / "R.cfg")
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    contents = digests(fleet.inbox)
    assert path.exists()
    run_nightly(apart)
    moved = digests(other_disk / "done") | {k: v for k, v in digests(other_disk / "bad").items() if "reason" not in k}
    assert moved == contents
    assert names(fleet.inbox) == []
    assert not [name for name in names(other_disk) if ".aside" in name]
