"""Files of months: what the catalogues of their days say, in one file, whatever becomes of either."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest
from made_fleet import (
    catalogue_bytes,
    events_in,
    grown_old,
    halfcycle,
    loaded,
    made_capture,
    write_capture,
    write_fleet,
)
from made_months import SITES, by_days, fill, gathered, made_anew, month_bytes, rows_in

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly import months, run
from halfcycle.pipeline.nightly.catalogue_file import catalogue_metadata, read_events_table, write_catalogue
from halfcycle.pipeline.nightly.day_states import days_of
from halfcycle.pipeline.nightly.days import coverage_of, path_of
from halfcycle.pipeline.nightly.plan import plan
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle
from halfcycle.pipeline.nightly.run_files import last_runs
from halfcycle.pipeline.nightly.verify import repair, verify
from halfcycle.pipeline.spread import in_this_process

pytestmark = pytest.mark.slow

SOURCE = "the project's own design: a file of a month is a pure function of the daily catalogues, which stay the truth"
READERS = "general libraries: pandas, pyarrow, DuckDB and Polars read partitioned folders by their own rules"
FEBRUARY, MARCH = date(2026, 2, 1), date(2026, 3, 1)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Only read by tests."""
    return gathered(tmp_path_factory.mktemp("fleet"))


def test_other_libraries_read_a_month_as_the_days_it_is_made_of(fleet: Fleet) -> None:
    # READERS.
    folder = fleet.store / "months" / "events"
    expected = [(event.site, event.event_id) for event in by_days(fleet)]
    assert len(expected) == 26
    table = pd.read_parquet(folder)
    assert sorted(zip(table["site"], table["event_id"], strict=True)) == sorted(expected)
    assert set(table["month"]) == {"2026-02", "2026-03"}
    assert pq.read_table(folder).num_rows == 26
    march = pd.read_parquet(folder / "month=2026-03" / "events.parquet")
    assert list(zip(march["site"], march["event_id"], strict=True)) == expected[6:]
    assert [str(day) for day in march["date"]] == [str(start.date()) for start in march["start"]]
    duckdb, polars = pytest.importorskip("duckdb"), pytest.importorskip("polars")
    query = f"select month, site, date, count(*) from read_parquet('{folder}/**/*.parquet') group by all order by all"
    counted = duckdb.sql(query).fetchall()
    assert len(counted) == 26
    assert counted[-1] == ("2026-03", SITES[1], date(2026, 3, 10), 1)
    assert sorted(polars.read_parquet(folder)["event_id"].to_list()) == sorted(event for _, event in expected)
    covered = pd.read_parquet(fleet.store / "months" / "coverage")
    assert len(covered) == 26
    assert covered["judged_s"].sum() == pytest.approx(26 * 0.6, rel=0.02)
    assert polars.read_parquet(fleet.store / "months" / "coverage").height == 26


def test_a_month_has_the_same_columns_whatever_its_days_have(fleet: Fleet, tmp_path: Path) -> None:
    # SOURCE: catalogues of days have columns of uncertainty where a row has one.
    other = loaded(write_fleet(tmp_path, sites=SITES))
    other.__dict__["uncertainty"] = "standard"
    fill(other)
    run_nightly(other)
    names = list(rows_in(fleet).columns)
    assert list(rows_in(other).columns) == names
    assert "magnitude_u" in names
    assert rows_in(other)["magnitude_u"].notna().all()
    assert rows_in(fleet)["magnitude_u"].isna().all()


@pytest.mark.long
def test_commands_take_settled_days_from_their_month_and_say_the_same(
    fleet: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE.
    days = [day for day, _ in days_of(fleet)]
    with monkeypatch.context() as patch:
        patch.setattr("halfcycle.pipeline.nightly.month_files._LEAST", 1000)
        expected = events_in(fleet), coverage_of(fleet, days)
    with monkeypatch.context() as patch:  # no file of a day is opened but those of February, which are too few
        patch.setattr("halfcycle.pipeline.nightly.days.read_events_table", _only_of_february)
        patch.setattr("halfcycle.pipeline.nightly.days.catalogue_metadata", lambda path: _only_of_february(path, None))
        assert events_in(fleet) == expected[0] == by_days(fleet)
        assert coverage_of(fleet, days) == expected[1]
        some = ("Mill Lane", "2026-03-02"), *((SITES[1], f"2026-03-{n:02}") for n in range(1, 9))
        assert {(event.site, event.start // 86_400_000_000_000) for event in events_in(fleet, *some)} == {
            (site, (date.fromisoformat(day) - date(1970, 1, 1)).days) for site, day in some
        }
    # What a spreadsheet opens: plain CSV, by the csv module of Python (RFC 4180).
    config = fleet.store.parent / "fleet.toml"
    told = halfcycle("catalogue", "--config", config, "--from", "2026-03-01", "--to", "2026-03-31",
                     "--out", tmp_path / "march.csv")  # fmt: skip
    assert told.returncode == 0, told.stderr
    with (tmp_path / "march.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["event_id"] for row in rows] == rows_in(fleet)["event_id"].tolist()


def _only_of_february(path: Path, names: Any = None) -> Any:
    assert "=2026-02" in path.parent.name, path
    return read_events_table(path, names) if names is not None or sys._getframe(1).f_code.co_name == "read_days" else (
        catalogue_metadata(path)
    )  # fmt: skip


def test_a_night_without_news_writes_no_month(tmp_path: Path) -> None:
    fleet = gathered(tmp_path)
    before = {path: path.stat().st_mtime_ns for path in (fleet.store / "months").rglob("*")}
    catalogues = catalogue_bytes(fleet.store)
    assert summary_if_idle(fleet) is not None
    done = run_nightly(fleet)
    assert not done.days
    assert done.months == months.MonthsDone()
    assert {path: path.stat().st_mtime_ns for path in (fleet.store / "months").rglob("*")} == before
    assert catalogue_bytes(fleet.store) == catalogues


@pytest.mark.long
def test_a_late_capture_of_a_gathered_day_costs_its_days_and_leaves_what_a_new_file_would_hold(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE.
    fleet = gathered(tmp_path)
    write_capture(made_capture("2026-03-05T18:00:00", sags=[(0.5, 0.2, 0.7)]), fleet.inbox / SITES[0] / "late.npz")
    read: list[str] = []
    known = months.read_day
    monkeypatch.setattr(months, "read_day", lambda path: read.append(path.parent.name) or known(path))  # type: ignore[func-returns-value]
    done = run_nightly(fleet)
    assert done.months is not None
    assert done.months.made == (MARCH,)
    assert read == ["date=2026-03-04", "date=2026-03-05", "date=2026-03-06"]  # a day rests on those beside it
    assert done.months.days == 3
    assert rows_in(fleet)["event_id"].tolist() == [event.event_id for event in by_days(fleet)][6:]
    assert events_in(fleet) == by_days(fleet)
    by_parts = month_bytes(fleet)
    made_anew(fleet)
    assert month_bytes(fleet) == by_parts
    assert len(rows_in(fleet)) == 21


@pytest.mark.long
def test_months_that_are_not_over_are_left_and_the_latest_come_first_within_the_budget(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet = loaded(write_fleet(tmp_path, sites=SITES, run="month_days = 5\n"))
    fill(fleet, range(30, 32), "2026-01")
    fill(fleet, range(26, 29), "2026-02")
    fill(fleet)
    monkeypatch.setattr(run, "today", lambda: date(2026, 3, 31))
    planned = plan(fleet, date(2026, 3, 31)).months
    assert planned == months.MonthsDone()  # no catalogue yet
    done = run_nightly(fleet)
    assert done.months == months.MonthsDone((FEBRUARY,), left=(date(2026, 1, 1),), days=6)  # one at least
    assert summary_if_idle(fleet) is None
    assert plan(fleet, date(2026, 3, 31)).months == months.MonthsDone((date(2026, 1, 1),), days=4)
    assert run_nightly(fleet).months == months.MonthsDone((date(2026, 1, 1),), days=4)
    assert summary_if_idle(fleet) is not None
    monkeypatch.setattr(run, "today", lambda: date(2026, 4, 1))
    assert summary_if_idle(fleet) is None
    told = halfcycle("plan", "--config", tmp_path / "fleet.toml")
    assert "files of months to write: 2026-03, from 20 daily catalogues" in told.stdout
    told = halfcycle("nightly", "--config", tmp_path / "fleet.toml")
    assert "files of months: 2026-03 written" in told.stdout
    assert last_runs(fleet)[-1].n_months == 1
    off = loaded(write_fleet(tmp_path, sites=SITES, run="month_days = 0\n"))
    assert run_nightly(off).months == months.MonthsDone(dropped=(date(2026, 1, 1), FEBRUARY, MARCH))
    assert not month_bytes(fleet)
    assert summary_if_idle(off) is not None


@pytest.mark.long
def test_catalogues_past_their_age_leave_their_month(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    retention = "[retention]\ncalm_waveforms_days = 3\nevent_waveforms_days = 3\ncatalogues_days = 30\n"
    fleet = gathered(tmp_path)
    for day in (date(2026, 4, 4), date(2026, 4, 5)):
        monkeypatch.setattr(run, "today", lambda day=day: day)
        fleet = loaded(write_fleet(tmp_path, sites=SITES, extra=retention))
        run_nightly(fleet)
        run_nightly(fleet)
    assert not (fleet.store / "months" / "events" / "month=2026-02").exists()
    assert [str(day) for day in rows_in(fleet)["date"].unique()] == [f"2026-03-{n:02}" for n in range(6, 11)]
    assert rows_in(fleet)["event_id"].tolist() == [event.event_id for event in by_days(fleet)]
    assert events_in(fleet) == by_days(fleet)
    assert {state for _, state in days_of(fleet)} == {"frozen"}
    assert summary_if_idle(fleet) is not None
    assert not verify(fleet, in_this_process)


@pytest.mark.long
def test_a_renamed_site_has_its_new_name_in_its_months(tmp_path: Path) -> None:
    gathered(tmp_path)
    config = write_fleet(tmp_path, sites=[SITES[0], "Lock Two"])
    text = config.read_text().replace('name = "Lock Two"', f'name = "Lock Two"\nformerly = ["{SITES[1]}"]')
    config.write_text(text)
    fleet = loaded(config)
    run_nightly(fleet)
    assert set(rows_in(fleet)["site"]) == {SITES[0], "Lock Two"}
    assert rows_in(fleet)["event_id"].tolist() == [event.event_id for event in by_days(fleet)][6:]
    assert not verify(fleet, in_this_process)


@pytest.mark.parametrize("harm", ["cut", "flip", "empty", "lost memory", "broken memory", "folder lost"])
@pytest.mark.long
def test_a_month_that_is_damaged_or_lost_changes_no_answer_and_is_made_again(harm: str, tmp_path: Path) -> None:
    # SOURCE.
    fleet = gathered(tmp_path)
    expected, sound = by_days(fleet), month_bytes(fleet)
    path = fleet.store / "months/events/month=2026-03/events.parquet"
    memory = fleet.store / ".index/months/2026-03"
    data = path.read_bytes()
    status = path.stat()
    if harm == "lost memory":
        memory.unlink()
    elif harm == "broken memory":
        memory.write_text("{\n[")
    elif harm == "folder lost":
        path.unlink()
        path.parent.rmdir()
    else:
        middle = len(data) // 3
        path.write_bytes({"cut": data[:-100], "flip": data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :],
                          "empty": b""}[harm])  # fmt: skip
        if harm == "flip":
            os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))  # as bits that fade do
    assert events_in(fleet) == expected
    found = verify(fleet, in_this_process)
    assert [one.what for one in found] == (["damaged month"] if harm in ("cut", "flip", "empty") else [])
    if found:
        assert not repair(found, fleet, in_this_process)
    else:
        run_nightly(fleet)
    assert month_bytes(fleet) == sound
    assert events_in(fleet) == expected


@pytest.mark.long
def test_verify_tells_a_month_that_says_something_else_than_its_days(tmp_path: Path) -> None:
    # SOURCE. The catalogue of a day is written anew with the same time and size: what no stamp tells.
    fleet = gathered(tmp_path)
    day = next(day for day, _ in days_of(fleet) if str(day.day) == "2026-03-04")
    path = path_of(day, fleet)
    status, document, table = path.stat(), catalogue_metadata(path), read_events_table(path)
    assert document is not None
    write_catalogue(table.slice(0, 0), document, path, months.Store(fleet.store))
    with path.open("ab") as stream:
        assert stream.tell() <= status.st_size
    memory = fleet.store / ".index/months/2026-03"
    now = f"{status.st_mtime_ns}\\u001f{path.stat().st_size}"
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    memory.write_text(memory.read_text().replace(f"{status.st_mtime_ns}\\u001f{status.st_size}", now))
    found = [one for one in verify(fleet, in_this_process) if one.what == "damaged month"]
    assert [one.path.parent.parent.name for one in found] == ["events"]
    assert "its rows are not those of the daily catalogues" in found[0].words


def test_a_month_that_cannot_be_written_is_told_and_the_rest_of_the_night_is_done(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path, sites=SITES))
    fill(fleet)
    (fleet.store / "months").mkdir(parents=True)
    (fleet.store / "months" / "events").write_text("in the way")
    done = run_nightly(fleet)
    assert len(done.days) == 20
    assert done.months is not None
    assert not done.is_whole
    assert "months/events" in done.months.failed[0]
    (fleet.store / "months" / "events").unlink()
    assert run_nightly(fleet).is_whole
    assert len(rows_in(fleet)) == 20


@pytest.mark.long
def test_readers_see_one_state_while_months_are_written(tmp_path: Path) -> None:
    # SOURCE: who reads needs no lock. A late capture comes again and again while another process reads.
    fleet = gathered(tmp_path)
    config = tmp_path / "fleet.toml"
    code = (
        "import sys; from pathlib import Path\n"
        "from made_fleet import events_in, loaded\n"
        "fleet = loaded(Path(sys.argv[1]))\n"
        "while not (fleet.store.parent / 'done').exists():\n"
        "    n = len(events_in(fleet)); assert 26 <= n <= 30, n\n"
        "    assert len({e.event_id for e in events_in(fleet)}) >= n\n"
    )
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[1])}
    with subprocess.Popen([sys.executable, "-c", code, str(config)], env=env) as reader:
        for n in range(4):
            late = made_capture(f"2026-03-05T{18 + n}:00:00", sags=[(0.5, 0.2, 0.7)])
            write_capture(late, fleet.inbox / SITES[0] / f"late{n}.npz")
            run_nightly(fleet)
            grown_old(fleet)
        (tmp_path / "done").write_text("")
        assert reader.wait(timeout=120) == 0
    assert events_in(fleet) == by_days(fleet)
