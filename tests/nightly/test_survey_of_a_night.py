"""Trends and verdicts of a night: made of captures and settings alone, made anew where these change, else left."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from made_fleet import SITE, digests, loaded, made_capture, write_capture, write_fleet

from pipeline.cli.fleet_commands import report
from pipeline.config import Fleet
from pipeline.nightly.at_hand import MOST_UNTRIED
from pipeline.nightly.run import run_nightly, summary_if_idle
from pipeline.store.partitions import Store
from pipeline.store.trends import read_trend

SOURCE = "derived: what is made of the same captures and settings is the same; the calendar's days, weeks and months"

SURVEY = '[survey]\ninterval_s = 10\nquantities = ["u_rms", "f"]\nlimits = "en-50160-lv"\n'
EVE, NEXT = date(2026, 3, 1), date(2026, 3, 2)


def fleet_with_captures(root: Path, survey: str = SURVEY) -> Fleet:
    fleet = loaded(write_fleet(root, extra=survey))
    for i, start in enumerate(("2026-03-01T23:59:40", "2026-03-02T06:00:00")):
        write_capture(made_capture(start, seconds=40.0), fleet.inbox / SITE / f"{i}.parquet")
    return fleet


def surveyed(fleet: Fleet) -> dict[str, str]:
    """Digests of all that a survey made."""
    return {
        f"{kind}/{name}": digest
        for kind in ("trends", "verdicts")
        for name, digest in digests(fleet.store / kind).items()
    }


def test_a_night_makes_each_days_trends_and_the_verdicts_of_days_weeks_and_months(tmp_path: Path) -> None:
    fleet = fleet_with_captures(tmp_path / "fleet")
    summary = run_nightly(fleet)
    assert summary.survey is not None
    assert summary.survey.days == ((SITE, EVE), (SITE, NEXT))
    assert Store(fleet.store).trend_days(SITE, 10.0) == [EVE, NEXT]
    assert read_trend(fleet.store, site=SITE, interval_s=10.0, first=EVE, last=EVE).num_rows == 2
    assert read_trend(fleet.store, site=SITE, interval_s=10.0, first=NEXT, last=NEXT).num_rows == 2 + 4
    table = pq.read_table(fleet.store / "verdicts" / f"site={SITE}" / "verdicts.parquet", partitioning=None)
    periods = set(table.column("period").to_pylist())
    assert {"2026", "2026-03", "2026-03-01", "2026-03-02", "2026-W09", "2026-W10"} <= periods
    assert set(table.column("declared_voltage_v").to_pylist()) == {fleet.sites[0].nominal_voltage_v}
    assert summary_if_idle(fleet) is not None
    again = run_nightly(fleet).survey
    assert again is not None
    assert (again.days, again.verdicts) == ((), ())


def test_a_late_capture_and_other_settings_make_anew_what_they_touch_and_the_result_is_that_of_one_night(
    tmp_path: Path,
) -> None:
    fleet = fleet_with_captures(tmp_path / "a")
    run_nightly(fleet)
    write_capture(made_capture("2026-03-05T12:00:00", seconds=20.0), fleet.inbox / SITE / "late.parquet")
    late = run_nightly(fleet).survey
    assert late is not None
    assert late.days == ((SITE, date(2026, 3, 5)),)
    other = fleet_with_captures(tmp_path / "b")
    write_capture(made_capture("2026-03-05T12:00:00", seconds=20.0), other.inbox / SITE / "late.parquet")
    run_nightly(other)
    assert surveyed(fleet) == surveyed(other)
    changed = fleet.model_copy(update={"survey": fleet.survey.model_copy(update={"quantities": ("f",)})})  # type: ignore[union-attr]
    anew = run_nightly(changed).survey
    assert anew is not None
    assert len(anew.days) == 3


def test_a_damaged_or_lost_trend_is_made_anew_and_a_fleet_without_a_survey_makes_none(tmp_path: Path) -> None:
    fleet = fleet_with_captures(tmp_path / "a")
    run_nightly(fleet)
    before = surveyed(fleet)
    path = Store(fleet.store).trend_path(SITE, EVE, 10.0)
    path.write_bytes(b"PAR1")
    for verdicts in (fleet.store / "verdicts").rglob("*.*"):
        verdicts.unlink()
    run_nightly(fleet)
    assert surveyed(fleet) == before
    path.with_name("made.json").unlink()
    run_nightly(fleet)
    assert surveyed(fleet) == before
    without = fleet_with_captures(tmp_path / "b", survey="")
    assert run_nightly(without).survey is None
    assert not (without.store / "trends").exists()


def test_a_day_that_ended_processes_is_measured_apart_and_at_last_not_at_all(tmp_path: Path) -> None:
    # The project's own design: what ends a run is tried apart by the next, and some six times in all.
    fleet = fleet_with_captures(tmp_path / "a")
    counts = fleet.store / ".at_hand" / "strikes.json"
    counts.parent.mkdir(parents=True)
    counts.write_text(json.dumps({f"trends {EVE} {SITE}": 1, f"trends {NEXT} {SITE}": MOST_UNTRIED}))
    survey = run_nightly(fleet).survey
    assert survey is not None
    assert survey.days == ((SITE, EVE),)
    ((site, day, reason),) = survey.failed
    assert (site, day) == (SITE, NEXT)
    assert reason == f"it ended {MOST_UNTRIED} runs; without {counts} it is tried again"
    assert json.loads(counts.read_text()) == {f"trends {NEXT} {SITE}": MOST_UNTRIED}
    counts.unlink()
    assert run_nightly(fleet).is_whole


def test_the_command_says_what_was_measured_and_how_the_week_did(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    summary = run_nightly(fleet_with_captures(tmp_path / "a"))
    assert report(summary, nothing="nothing to do") == 0
    told = capsys.readouterr().out
    assert "trends: 2 days of 1 site measured" in told
    assert f"verdicts: {SITE}, 2026-W10: 0 limits exceeded" in told
