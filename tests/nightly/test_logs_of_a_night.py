"""Logs of RMS in a night's catalogue: judged as in a screening, by day, and nothing that a waveform shows is twice."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from made_fleet import SITE, catalogue_bytes, events_in, halfcycle, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.days import Day, coverage_of
from halfcycle.pipeline.nightly.recorded import standing_records
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle
from halfcycle.pipeline.nightly.verify import verify
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.partitions import Store

SOURCE = (
    "derived: a row beyond a threshold of IEC 61000-4-30, 5.4, begins an event and one that is back ends it; an event "
    "belongs to the UTC day in which it starts"
)
EVE, NEXT = date(2026, 3, 1), date(2026, 3, 2)
STEP_S = 0.5


def write_log(path: Path, start: str, volts: np.ndarray, *, step_s: float = STEP_S) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    first = datetime.fromisoformat(start).replace(tzinfo=UTC)
    times = [first + timedelta(seconds=step_s * i) for i in range(volts.size)]
    rows = [f"{t.isoformat(timespec='milliseconds')[:-6]}Z,{u:.2f}" for t, u in zip(times, volts, strict=True)]
    path.write_text("\n".join(["time,U L1 (V)", *rows]) + "\n")
    return path


def steady(n: int, *sags: tuple[slice, float]) -> np.ndarray:
    volts = np.full(n, 230.0)
    for rows, value in sags:
        volts[rows] = value
    return volts


def fleet_at(root: Path) -> Fleet:
    return loaded(write_fleet(root))


def judged_s(fleet: Fleet, day: date) -> float:
    return sum(span.judged_s for span in coverage_of(fleet, [Day(SITE, day)]))


def brief(fleet: Fleet) -> list[tuple[str, str, str, float | None]]:
    """Kind, which part of the store shows it, day of the month and time of start, duration."""
    found = []
    for one in events_in(fleet):
        moment = datetime.fromtimestamp(one.start / 1e9, UTC)
        part, _, _ = (one.source or "").partition("/")
        found.append((one.kind, part, f"{moment:%d %H:%M:%S.%f}"[:-3], one.duration_s))
    return found


def test_events_of_a_log_over_midnight_are_each_in_the_day_in_which_they_start(tmp_path: Path) -> None:
    fleet = fleet_at(tmp_path)
    volts = steady(480, (slice(100, 104), 115.0), (slice(236, 250), 150.0), (slice(400, 402), 0.0))
    write_log(fleet.inbox / SITE / "log.csv", "2026-03-01T23:58:00", volts)
    summary = run_nightly(fleet)
    assert summary.is_whole
    assert brief(fleet) == [
        ("sag", "recorded", "01 23:58:50.000", 2.0),
        ("sag", "recorded", "01 23:59:58.000", 7.0),
        ("interruption", "recorded", "02 00:01:20.000", 1.5),  # to the end of the row that is back
        ("sag", "recorded", "02 00:01:20.000", 1.0),
    ]
    over_midnight, last = events_in(fleet)[1], events_in(fleet)[3]
    eve, after = (path.relative_to(fleet.store).as_posix() for day in (EVE, NEXT)
                  for path in Store(fleet.store).recorded(SITE, day))  # fmt: skip
    assert (over_midnight.source, over_midnight.first_sample, over_midnight.n_samples) == (eve, 236, 14)
    assert (last.source, last.first_sample) == (after, 400 - 240)
    assert over_midnight.magnitude == pytest.approx(150 / 230, abs=1e-4)
    assert "from the recorder's RMS log, one row every 500 ms" in over_midnight.notes
    assert (judged_s(fleet, EVE), judged_s(fleet, NEXT)) == (120.0, 120.0)
    assert summary_if_idle(fleet) is not None


def test_what_a_waveform_shows_is_one_row_and_its_time_counts_once_over_midnight_too(tmp_path: Path) -> None:
    fleet = fleet_at(tmp_path)
    # The log has the sag from 23:59:59.5 on, the waveform's samples begin after midnight, when it goes on.
    write_log(fleet.inbox / SITE / "log.csv", "2026-03-01T23:58:00", steady(480, (slice(239, 242), 115.0)))
    write_capture(
        made_capture("2026-03-02T00:00:00", seconds=20.0, sags=[(0.0, 1.0, 0.5)]), fleet.inbox / SITE / "wave.parquet"
    )
    run_nightly(fleet)
    (event,) = events_in(fleet)
    assert (event.source or "").startswith("waveforms/")
    assert event.open_start
    assert "in the recorder's log: sag of 1.5 s to 0.500 pu" in event.notes
    assert (judged_s(fleet, EVE), judged_s(fleet, NEXT)) == (120.0, pytest.approx(120.0, abs=STEP_S))


def test_a_log_or_a_waveform_that_comes_late_gives_the_same_catalogue_as_both_at_once(tmp_path: Path) -> None:
    volts = steady(480, (slice(239, 242), 115.0), (slice(300, 303), 160.0))
    capture = made_capture("2026-03-02T00:00:00", seconds=20.0, sags=[(0.0, 1.0, 0.5)])
    made = []
    for name, order in {"a": ("log", "wave"), "b": ("wave", "log"), "c": ("log and wave",)}.items():
        fleet = fleet_at(tmp_path / name)
        for step in order:
            if "log" in step:
                write_log(fleet.inbox / SITE / "log.csv", "2026-03-01T23:58:00", volts)
            if "wave" in step:
                write_capture(capture, fleet.inbox / SITE / "wave.parquet")
            run_nightly(fleet)
        made.append(catalogue_bytes(fleet.store))
        assert [kind for kind, *_ in brief(fleet)] == ["sag", "sag"]
    assert made[0] == made[1] == made[2]


def test_rows_that_two_files_of_a_recorder_repeat_are_one_log(tmp_path: Path) -> None:
    fleet = fleet_at(tmp_path)
    volts = steady(400, (slice(190, 210), 115.0))
    write_log(fleet.inbox / SITE / "first.csv", "2026-03-02T06:00:00", volts[:200])
    run_nightly(fleet)
    assert [row[3] for row in brief(fleet)] == [None]  # under way where the file ends
    write_log(fleet.inbox / SITE / "second.csv", "2026-03-02T06:01:00", volts[120:])
    run_nightly(fleet)
    assert brief(fleet) == [("sag", "recorded", "02 06:01:35.000", 10.0)]
    assert judged_s(fleet, NEXT) == 200.0


def test_a_damaged_log_is_set_aside_and_the_same_file_again_puts_it_right(tmp_path: Path) -> None:
    fleet = fleet_at(tmp_path)
    volts = steady(200, (slice(20, 24), 115.0))
    write_log(fleet.inbox / SITE / "log.csv", "2026-03-02T06:00:00", volts)
    run_nightly(fleet)
    (path,) = Store(fleet.store).recorded(SITE, NEXT)
    content = bytearray(path.read_bytes())
    content[4:40] = bytes(36)
    path.write_bytes(content)
    (fleet.store / "catalogue" / f"site={SITE}" / f"date={NEXT}" / "events.parquet").unlink()
    assert [place for place, _ in run_nightly(fleet).set_aside] == [path]
    assert brief(fleet) == []
    write_log(fleet.inbox / SITE / "log.csv", "2026-03-02T06:00:00", volts)
    assert run_nightly(fleet).is_whole
    assert [row[0] for row in brief(fleet)] == ["sag"]


def former_name_of(path: Path) -> Path:
    """The name that logs had before names told them."""
    return path.with_name(path.name.removeprefix("log-"))


def test_a_log_of_the_former_naming_that_comes_again_lies_once_and_under_its_new_name(tmp_path: Path) -> None:
    fleet = fleet_at(tmp_path)
    volts = steady(480, (slice(100, 104), 115.0), (slice(236, 250), 150.0))
    write_log(fleet.inbox / SITE / "log.csv", "2026-03-01T23:58:00", volts)
    run_nightly(fleet)
    once = catalogue_bytes(fleet.store)
    held = [path for day in (EVE, NEXT) for path in Store(fleet.store).recorded(SITE, day)]
    for path in held:
        path.rename(former_name_of(path))
    run_nightly(fleet)
    assert [row[0] for row in brief(fleet)] == ["sag", "sag"]  # read as it is
    write_log(fleet.inbox / SITE / "log.csv", "2026-03-01T23:58:00", volts)
    run_nightly(fleet)
    assert [path for day in (EVE, NEXT) for path in Store(fleet.store).recorded(SITE, day)] == held
    assert catalogue_bytes(fleet.store) == once


def test_a_log_that_lies_in_the_store_under_both_names_counts_once_and_the_next_night_drops_the_former(
    tmp_path: Path,
) -> None:
    fleet = fleet_at(tmp_path)
    write_log(fleet.inbox / SITE / "log.csv", "2026-03-02T06:00:00", steady(200, (slice(20, 24), 115.0)))
    run_nightly(fleet)
    (path,) = Store(fleet.store).recorded(SITE, NEXT)
    once = catalogue_bytes(fleet.store)
    former = former_name_of(path)
    shutil.copy(path, former)
    os.utime(former, ns=(0, 0))
    assert standing_records(Store(fleet.store), SITE, NEXT) == [path]
    assert [(one.what, one.path) for one in verify(fleet, in_this_process)] == [("leftover", former)]
    (fleet.store / "catalogue" / f"site={SITE}" / f"date={NEXT}" / "events.parquet").unlink()
    run_nightly(fleet)
    assert Store(fleet.store).recorded(SITE, NEXT) == [path]
    assert catalogue_bytes(fleet.store) == once


def test_a_file_whose_rows_now_have_another_time_zone_leaves_nothing_of_what_it_gave_before(tmp_path: Path) -> None:
    fleet = fleet_at(tmp_path)
    path = fleet.inbox / SITE / "log.csv"
    volts = steady(480, (slice(100, 104), 115.0))
    told = path.with_name("log.csv.toml")
    path.parent.mkdir(parents=True, exist_ok=True)
    for zone in ("+01:00", "+00:00"):  # at first as if it stood an hour east: rows of the day before
        write_log(path, "2026-03-02T00:01:00", volts)
        path.write_text(path.read_text().replace("Z,", ","))
        told.write_text(f'[intervals]\ntime_zone = "{zone}"\n')
        run_nightly(fleet)
    assert Store(fleet.store).recorded(SITE, EVE) == []
    assert len(Store(fleet.store).recorded(SITE, NEXT)) == 1
    assert [row[2] for row in brief(fleet)] == ["02 00:01:50.000"]


def test_interval_records_of_minutes_make_no_day_of_a_catalogue(tmp_path: Path) -> None:
    fleet = fleet_at(tmp_path)
    write_log(fleet.inbox / SITE / "trend.csv", "2026-03-02T06:00:00", steady(60), step_s=60.0)
    assert run_nightly(fleet).days == ()


def test_a_report_of_the_fleet_lists_events_of_logs_and_show_says_that_there_is_no_waveform(tmp_path: Path) -> None:
    fleet = fleet_at(tmp_path / "fleet")
    write_log(fleet.inbox / SITE / "log.csv", "2026-03-02T06:00:00", steady(400, (slice(100, 104), 115.0)))
    run_nightly(fleet)
    done = halfcycle("report", "--config", tmp_path / "fleet" / "fleet.toml", "--out", tmp_path / "pages")
    assert done.returncode == 0, done.stderr
    pages = "".join(page.read_text() for page in (tmp_path / "pages").rglob("*.html"))
    assert "RMS log" in pages
    (event,) = events_in(fleet)
    shown = halfcycle(
        "show", event.event_id, "--config", tmp_path / "fleet" / "fleet.toml", "--out", tmp_path / "e.svg"
    )  # fmt: skip
    assert shown.returncode == 1
    assert "holds no waveform; the event comes from logged values" in shown.stderr
