"""What a night would do, told before it does it, and how much of history it does at a time."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    digests,
    events_in,
    loaded,
    made_capture,
    states,
    write_capture,
    write_fleet,
)

from halfcycle.pipeline.cli.commands import app
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.plan import plan
from halfcycle.pipeline.nightly.run import run_nightly, update_days

pytestmark = pytest.mark.slow

SOURCE = "the project's own design: what a plan names is what the night that follows does"
FIRST = date(2026, 3, 1)
DAYS = [FIRST + timedelta(days=2 * n) for n in range(4)]
LOW = "[thresholds.ieee-1159]\nsag_pu = 0.45\n"


def with_history(root: Path) -> Fleet:
    fleet = loaded(write_fleet(root))
    for day in DAYS:
        write_capture(made_capture(f"{day}T12:00:00", sags=[(0.5, 0.2, 0.5)]), fleet.inbox / SITE / f"{day}.csv")
    run_nightly(fleet)
    return fleet


def reasons(fleet: Fleet) -> dict[str, str]:
    return {one.day.day.isoformat(): one.reason for one in plan(fleet, FIRST).days}


def test_a_plan_names_each_day_the_night_makes_and_why(tmp_path: Path) -> None:
    fleet = with_history(tmp_path)
    assert plan(fleet, FIRST).days == ()
    write_capture(made_capture(f"{FIRST}T15:00:00"), fleet.inbox / SITE / "late.csv")
    write_capture(made_capture("2026-04-01T15:00:00"), fleet.inbox / SITE / "new.csv")
    assert plan(fleet, FIRST).inbox == 2
    run_nightly(fleet, catalogue=False)
    assert reasons(fleet) == {"2026-03-01": "captures were added or removed", "2026-04-01": "no catalogue yet"}
    before = digests(fleet.store)
    planned = plan(fleet, FIRST)
    assert digests(fleet.store) == before
    assert [(one.captures, one.postponed) for one in planned.days] == [(2, False), (1, False)]
    size = sum(path.stat().st_size for path in (fleet.store / "waveforms").rglob("date=2026-03-01/*.parquet"))
    assert planned.days[0].size == size
    made = run_nightly(fleet).days
    assert [one.day for one in planned.days] == [one.day for one in made]


def test_a_plan_names_the_settings_that_changed(tmp_path: Path) -> None:
    with_history(tmp_path)
    changed = loaded(write_fleet(tmp_path, extra=f"{LOW}[detectors.transient]\n"))
    words = set(reasons(changed).values())
    assert words == {"other settings (detectors.transient off → on, thresholds.sag_pu default → 0.45)"}


def test_history_is_judged_anew_some_days_a_night_the_latest_first_and_news_at_once(tmp_path: Path) -> None:
    with_history(tmp_path)
    fleet = loaded(write_fleet(tmp_path, run="backfill_days = 1\n", extra=LOW))
    write_capture(made_capture("2026-04-01T12:00:00"), fleet.inbox / SITE / "new.csv")
    made, left = [], []
    for _ in range(len(DAYS)):
        planned = [one.day.day for one in plan(fleet, FIRST).days if not one.postponed]
        summary = run_nightly(fleet)
        made.append([one.day.day for one in summary.days])
        left.append(summary.n_postponed)
        assert set(planned) <= set(made[-1])
    assert made == [[DAYS[3], date(2026, 4, 1)], [DAYS[2]], [DAYS[1]], [DAYS[0]]]
    assert left == [3, 2, 1, 0]
    assert set(states(fleet).values()) == {"fresh"}
    assert events_in(fleet) == []


def test_a_person_who_asks_for_days_gets_them_all(tmp_path: Path) -> None:
    with_history(tmp_path)
    fleet = loaded(write_fleet(tmp_path, run="backfill_days = 1\n", extra=LOW))
    done = update_days(fleet, sites=[SITE], first=None, last=None, rebuild=False)
    assert len(done.built) == len(DAYS)


def test_a_backfill_in_steps_gives_the_bytes_of_one(tmp_path: Path) -> None:
    for name in ("a", "b"):
        with_history(tmp_path / name)
    whole = loaded(write_fleet(tmp_path / "a", extra=LOW))
    steps = loaded(write_fleet(tmp_path / "b", run="backfill_days = 1\n", extra=LOW))
    run_nightly(whole)
    for _ in DAYS:
        run_nightly(steps)
    assert catalogue_bytes(whole.store) == catalogue_bytes(steps.store)


def test_the_command_prints_and_writes_the_plan(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with_history(tmp_path)
    config = write_fleet(tmp_path, run="backfill_days = 1\n", extra=f"{LOW}[retention]\ncalm_waveforms_days = 3\n")
    out = tmp_path / "plan.csv"
    monkeypatch.setattr("sys.argv", ["halfcycle", "plan", "--config", str(config), "--out", str(out)])
    assert app() == 0
    told = capsys.readouterr().out
    assert "sag_pu default → 0.45" in " ".join(told.split())
    assert "a later night" in told
    table = pd.read_csv(out)
    assert list(table.columns) == ["site", "date", "reason", "captures", "bytes", "postponed"]
    assert table["postponed"].tolist() == [True, True, True, False]
