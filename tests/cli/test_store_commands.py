"""`halfcycle quarantine` and `verify`: what they list, put back, find and repair, with which exit status."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    digests,
    events_in,
    halfcycle,
    loaded,
    made_capture,
    names,
    write_capture,
    write_fleet,
)

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.at_hand import Strikes, key_of_file
from halfcycle.pipeline.nightly.days import Day, path_of
from halfcycle.pipeline.nightly.inbox import to_inbox
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.nightly.verify import repair, verify
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.partitions import Store
from halfcycle.pipeline.store.trends import write_trend

pytestmark = pytest.mark.slow

SOURCE = "the project's own design: what is set aside can be seen and put back; a store can be checked and repaired"
DAYS = ("2026-03-01", "2026-03-02", "2026-03-03")


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    """Three days of two sites, catalogued."""
    fleet = loaded(write_fleet(tmp_path / "fleet", sites=(SITE, "Mill [north]")))
    for k, day in enumerate(DAYS):
        for i, site in enumerate((SITE, "Mill [north]")):
            write_capture(capture_of(day, 10 * i + k), fleet.inbox / site / f"{day}.cfg")
    run_nightly(fleet)
    return fleet


def capture_of(day: str, seed: int) -> Capture:
    return made_capture(f"{day}T12:00:00", sags=[(0.8, 0.3, 0.6)], seed=seed)


def config_of(fleet: Fleet) -> Path:
    return fleet.inbox.parent / "fleet.toml"


def damage(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[1000:1500] = bytes(500)
    path.write_bytes(content)


def capture(fleet: Fleet, day: str = DAYS[0], site: str = SITE) -> Path:
    (path,) = Store(fleet.store).captures(site, date.fromisoformat(day))
    return path


def kinds(fleet: Fleet) -> list[str]:
    return [finding.what for finding in verify(fleet, in_this_process)]


# --- quarantine -------------------------------------------------------------------------------------------------------


def test_quarantine_lists_files_and_captures_with_reasons_and_dates_and_writes_them(
    fleet: Fleet, tmp_path: Path
) -> None:
    # SOURCE.
    assert halfcycle("quarantine", "--config", config_of(fleet)).stdout == "nothing is set aside\n"
    (fleet.inbox / "Mill [north]").mkdir(exist_ok=True)
    (fleet.inbox / "Mill [north]" / "bad.csv").write_bytes(b"\x00")
    damage(capture(fleet))
    run_nightly(fleet)
    path_of(Day(SITE, date(2026, 3, 1)), fleet).unlink()
    run_nightly(fleet)
    done = halfcycle("quarantine", "--config", config_of(fleet), "--out", tmp_path / "q.csv")
    assert done.returncode == 0, done.stderr
    assert "2 set aside" in done.stdout
    with (tmp_path / "q.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["what"], row["name"]) for row in rows] == [
        ("file", "Mill [north]/bad.csv"),
        ("capture", capture_path_text(fleet)),
    ]
    assert all(row["set aside (UTC)"].startswith("20") for row in rows)
    assert "bad.csv" in rows[0]["reason"]
    assert "damaged" in rows[1]["reason"]


def capture_path_text(fleet: Fleet) -> str:
    (path,) = Store(fleet.store).set_aside(SITE, date(2026, 3, 1))
    return path.relative_to(fleet.store).as_posix()


def test_a_chosen_file_goes_back_into_the_inbox_with_its_companion_and_is_tried_again(fleet: Fleet) -> None:
    # SOURCE.
    other = loaded(write_fleet(fleet.inbox.parent))  # a site that the settings have forgotten
    write_capture(capture_of("2026-03-05", 5), fleet.inbox / "Mill [north]" / "late.cfg")
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    run_nightly(other)
    assert [name for name in names(fleet.quarantine) if "reason" not in name] == [
        "Mill [north]/late.cfg", "Mill [north]/late.dat", f"{SITE}/bad.csv",
    ]  # fmt: skip
    write_fleet(fleet.inbox.parent, sites=(SITE, "Mill [north]"))
    done = halfcycle("quarantine", "--config", config_of(fleet), "--retry", "Mill [north]/late.cfg")
    assert (done.returncode, done.stdout) == (0, "1 put back; the next nightly run tries again\n")
    assert names(fleet.inbox) == ["Mill [north]/late.cfg", "Mill [north]/late.dat"]
    assert names(fleet.quarantine) == [f"{SITE}/bad.csv", f"{SITE}/bad.csv.reason.txt"]
    assert [outcome.state for outcome in run_nightly(fleet).files] == ["stored"]
    assert len(events_in(fleet)) == 7


def test_patterns_and_all_choose_several_and_a_name_that_nothing_has_is_wrong_usage(fleet: Fleet) -> None:
    for name in ("a.csv", "b.csv", "c.txt"):
        (fleet.inbox / SITE / name).write_bytes(b"\x00")
    run_nightly(fleet)
    wrong = halfcycle("quarantine", "--config", config_of(fleet), "--retry", "nothing*")
    assert wrong.returncode == 2
    assert "nothing set aside is named 'nothing*'" in wrong.stderr
    both = halfcycle("quarantine", "--config", config_of(fleet), "--retry", "a", "--retry-all")
    assert both.returncode == 2
    assert "2 put back" in halfcycle("quarantine", "--config", config_of(fleet), "--retry", "*.csv").stdout
    assert names(fleet.inbox) == [f"{SITE}/a.csv", f"{SITE}/b.csv"]
    assert "1 put back" in halfcycle("quarantine", "--config", config_of(fleet), "--retry-all").stdout
    assert names(fleet.quarantine) == []


def test_a_file_whose_place_in_the_inbox_is_taken_stays_in_quarantine(fleet: Fleet) -> None:
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    run_nightly(fleet)
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"other")
    done = halfcycle("quarantine", "--config", config_of(fleet), "--retry-all")
    assert done.returncode == 3
    assert "another file of this name lies in the inbox" in done.stderr
    assert names(fleet.quarantine) == [f"{SITE}/bad.csv", f"{SITE}/bad.csv.reason.txt"]
    assert (fleet.inbox / SITE / "bad.csv").read_bytes() == b"other"


def test_a_capture_put_back_is_judged_again(fleet: Fleet) -> None:
    path = capture(fleet)
    Store(fleet.store).put_aside(path, "the day cannot be judged with it")
    run_nightly(fleet)
    assert len(events_in(fleet)) == 5
    done = halfcycle("quarantine", "--config", config_of(fleet), "--retry-all")
    assert done.returncode == 0, done.stderr
    assert date(2026, 3, 1) in {outcome.day.day for outcome in run_nightly(fleet).days}
    assert len(events_in(fleet)) == 6


def test_strikes_are_forgotten_when_a_file_is_put_back(fleet: Fleet) -> None:
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    run_nightly(fleet)
    key = key_of_file(fleet.inbox / SITE / "bad.csv", fleet)
    strikes = Strikes(fleet)
    strikes.add(key)
    strikes.settle(())
    assert Strikes(fleet)[key] == 1
    halfcycle("quarantine", "--config", config_of(fleet), "--retry-all")
    assert Strikes(fleet)[key] == 0


def test_a_move_back_that_was_cut_in_its_middle_is_undone_by_the_next_night(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE: nothing is lost at any instant.
    (fleet.inbox / SITE / "bad.csv").write_bytes(b"\x00")
    run_nightly(fleet)
    held = digests(fleet.quarantine)
    unlink = Path.unlink

    def killed(self: Path, missing_ok: bool = False) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "unlink", killed)
    with pytest.raises(KeyboardInterrupt):
        to_inbox(fleet.quarantine / SITE / "bad.csv", fleet)
    monkeypatch.setattr(Path, "unlink", unlink)
    assert names(fleet.inbox) == [f"{SITE}/bad.csv"]
    run_nightly(fleet)
    assert names(fleet.inbox) == []
    assert digests(fleet.quarantine) == held


# --- verify -----------------------------------------------------------------------------------------------------------


def test_a_sound_store_is_said_to_be_so(fleet: Fleet) -> None:
    done = halfcycle("verify", "--config", config_of(fleet))
    assert (done.returncode, done.stdout) == (0, f"{fleet.store}: sound\n")
    assert halfcycle("verify", "--config", config_of(fleet), "--repair").returncode == 0


@pytest.mark.long
def test_verify_finds_each_kind_of_damage_and_repair_puts_right_what_can_be(fleet: Fleet, tmp_path: Path) -> None:
    # SOURCE.
    import pyarrow as pa

    whole = catalogue_bytes(fleet.store)
    bad = capture(fleet)
    damage(bad)
    cut = path_of(Day(SITE, date(2026, 3, 2)), fleet)
    cut.write_bytes(cut.read_bytes()[:-7])
    path_of(Day(SITE, date(2026, 3, 3)), fleet).unlink()
    (fleet.store / ".staging").mkdir(exist_ok=True)
    (fleet.store / ".staging" / ".aside-1-2-x.parquet").write_bytes(b"half")
    (bad.parent / "gone.parquet.reason.txt").write_text("of nothing")
    (bad.parent.parent / "date=yesterday").mkdir()
    (bad.parent.parent / "date=yesterday" / "x.parquet").write_bytes(b"x")
    start = pa.array([0], pa.timestamp("ns", tz="UTC"))
    table = pa.table({"start": start, "measured": [1.0], "flag": [False]})
    (trend,) = write_trend(table, fleet.store, site=SITE, interval_s=600.0)
    trend.write_bytes(trend.read_bytes()[:-5])
    out = tmp_path / "findings.csv"
    done = halfcycle("verify", "--config", config_of(fleet), "--out", out)
    assert done.returncode == 3, done.stderr
    with out.open(newline="") as stream:
        found = [row["what"] for row in csv.DictReader(stream)]
    assert found == [
        "damaged capture", "damaged catalogue", "no catalogue", "damaged trend", "leftover", "leftover", "stranger",
    ]  # fmt: skip
    assert catalogue_bytes(fleet.store).keys() == whole.keys() - {f"site={SITE}/date=2026-03-03/events.parquet"}

    done = halfcycle("verify", "--config", config_of(fleet), "--repair")
    assert done.returncode == 3
    assert "7 findings before the repair, 2 after it" in done.stdout
    assert kinds(fleet) == ["capture set aside", "stranger"]
    (bad.parent.parent / "date=yesterday" / "x.parquet").unlink()
    now = catalogue_bytes(fleet.store)
    aside = f"site={SITE}/date=2026-03-01/events.parquet"
    assert {name: mark for name, mark in now.items() if name != aside and "2026-03-02" not in name} == {
        name: mark for name, mark in whole.items() if name != aside and "2026-03-02" not in name
    }
    write_capture(capture_of(DAYS[0], 0), fleet.inbox / SITE / "again.cfg")
    assert run_nightly(fleet).is_whole
    assert kinds(fleet) == []
    assert catalogue_bytes(fleet.store) == whole


def test_a_catalogue_with_a_changed_byte_in_a_page_is_found_by_its_checksum_and_made_anew(fleet: Fleet) -> None:
    # Source: Apache Parquet format, PageHeader.crc.
    import pyarrow.parquet as pq

    whole = catalogue_bytes(fleet.store)
    path = path_of(Day(SITE, date(2026, 3, 1)), fleet)
    content = bytearray(path.read_bytes())
    column = pq.read_metadata(path).row_group(0).column(0)
    content[(column.dictionary_page_offset or column.data_page_offset) + column.total_compressed_size - 3] ^= 1
    path.write_bytes(content)
    found = verify(fleet, in_this_process)
    assert [finding.what for finding in found] == ["damaged catalogue"]
    done = halfcycle("catalogue", "--config", config_of(fleet))
    assert done.returncode == 3
    assert "its events cannot be read" in done.stderr
    assert repair(found, fleet, in_this_process) == []
    assert catalogue_bytes(fleet.store) == whole


def test_a_capture_that_was_damaged_and_is_sound_again_is_judged_again(fleet: Fleet) -> None:
    path = capture(fleet)
    content = path.read_bytes()
    damage(path)
    assert kinds(fleet) == ["damaged capture"]
    assert [finding.what for finding in repair(verify(fleet, in_this_process), fleet, in_this_process)] == [
        "capture set aside"
    ]
    assert len(events_in(fleet)) == 5
    path.write_bytes(content)  # as from a copy of the store
    assert repair(verify(fleet, in_this_process), fleet, in_this_process) == []
    assert len(events_in(fleet)) == 6


def test_a_capture_in_another_days_folder_and_a_stale_day_are_found(fleet: Fleet) -> None:
    path = capture(fleet)
    other = path.parent.with_name("date=2026-03-09") / path.name
    other.parent.mkdir()
    path.rename(other)
    assert kinds(fleet) == ["misplaced capture", "no catalogue"]  # its own day has lost it, and stands as it was judged
    others = kinds(fleet.model_copy(update={"explain": not fleet.explain}))
    assert set(others) == {"misplaced capture", "stale catalogue", "no catalogue"}
