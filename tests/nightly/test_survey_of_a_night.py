"""Trends and verdicts of a night: made of captures and settings alone, made anew where these change, else left."""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from made_fleet import SITE, digests, grown_old, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.cli.fleet_commands import report
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.at_hand import MOST_UNTRIED
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle
from halfcycle.pipeline.nightly.site_surveys import SiteSurveys
from halfcycle.pipeline.nightly.surveyed import points_of_survey
from halfcycle.pipeline.nightly.verify import verify
from halfcycle.pipeline.publishing import fleet_surveyed
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.partitions import Store
from halfcycle.pipeline.store.trends import read_trend

pytestmark = pytest.mark.slow

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


def test_the_tables_of_dips_lie_beside_a_nights_verdicts_by_week_month_and_year(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path / "fleet", extra=SURVEY))
    for i, (start, sags) in enumerate((
        ("2026-02-28T12:00:00", [(2.0, 0.3, 0.5)]),
        ("2026-03-02T06:00:00", [(2.0, 0.1, 0.85), (6.0, 0.3, 0.5)]),
    )):  # fmt: skip
        write_capture(made_capture(start, seconds=20.0, sags=sags), fleet.inbox / SITE / f"{i}.parquet")
    run_nightly(fleet)
    rows = pq.read_table(fleet.store / "verdicts" / f"site={SITE}" / "verdicts.events.parquet", partitioning=None)
    found = {
        (row["period"], row["cell"]): row["count"]
        for row in rows.to_pylist()
        if row["table"] == "EN 50160 dips" and row["count"]
    }
    assert found == {
        ("2026", "A1"): 1, ("2026", "C2"): 2, ("2026-02", "C2"): 1, ("2026-03", "A1"): 1, ("2026-03", "C2"): 1,
        ("2026-W09", "C2"): 1, ("2026-W10", "A1"): 1, ("2026-W10", "C2"): 1,
    }  # fmt: skip


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


def test_a_night_says_how_sure_its_trends_are_and_its_limits_are_told_with_a_probability(tmp_path: Path) -> None:
    # JCGM 106: a limit is met, or not, at 95 %; u of a magnitude by hand, in tests/survey/test_survey_uncertainty.py.
    fleet = fleet_with_captures(tmp_path / "fleet")
    run_nightly(fleet)
    sure = fleet.model_copy(update={"survey": fleet.survey.model_copy(update={"uncertainty": "standard"})})  # type: ignore[union-attr]
    anew = run_nightly(sure).survey
    assert anew is not None
    assert len(anew.days) == 2
    table = read_trend(fleet.store, site=SITE, interval_s=10.0, first=EVE, last=NEXT)
    u = np.asarray(table.column("u_rms_a_u"))
    assert np.all((u > 0) & (u < 0.01 * 230))
    of_class = sure.model_copy(update={"sites": (sure.sites[0].model_copy(update={"voltage_class_pct": 1.0}),)})
    assert len(run_nightly(of_class).survey.days) == 2  # type: ignore[union-attr]
    larger = np.asarray(read_trend(fleet.store, site=SITE, interval_s=10.0, first=EVE, last=NEXT).column("u_rms_a_u"))
    assert larger == pytest.approx(np.hypot(u, 0.01 / np.sqrt(3) * 230), rel=0.02)
    verdicts = pq.read_table(fleet.store / "verdicts" / f"site={SITE}" / "verdicts.parquet", partitioning=None)
    assert "probability" in verdicts.column_names


def test_a_look_at_trends_costs_nothing_where_nothing_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = fleet_with_captures(tmp_path)
    fleet = fleet.model_copy(update={"run": fleet.run.model_copy(update={"month_days": 0})})  # its files go by times
    run_nightly(fleet)
    grown_old(fleet)
    looked_at: list[str] = []
    of_a_site = SiteSurveys.stale_days

    def counted(self: SiteSurveys, site: Site) -> list[date]:
        looked_at.append(site.name)
        return of_a_site(self, site)

    monkeypatch.setattr(SiteSurveys, "stale_days", counted)
    assert summary_if_idle(fleet) is not None
    assert looked_at
    looked_at.clear()
    assert summary_if_idle(fleet) is not None
    assert not looked_at
    Store(fleet.store).trend_path(SITE, NEXT, 10.0).with_name("_made.json").unlink()
    assert summary_if_idle(fleet) is None
    assert run_nightly(fleet).survey.days == ((SITE, NEXT),)  # type: ignore[union-attr]
    assert summary_if_idle(fleet) is not None
    Store(fleet.store).put_aside(Store(fleet.store).captures(SITE, NEXT)[0], "to see")
    run_nightly(fleet.model_copy(update={"survey": None}))  # its catalogue is made anew, its trends are not yet
    assert summary_if_idle(fleet) is None


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
    path.with_name("_made.json").unlink()
    run_nightly(fleet)
    assert surveyed(fleet) == before
    without = fleet_with_captures(tmp_path / "b", survey="")
    assert run_nightly(without).survey is None
    assert not (without.store / "trends").exists()


@pytest.mark.long
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


def write_records(path: Path, *, hours: float = 20.0, factor: float = 1.0, start: str = "2026-03-01T22:00:00") -> Path:
    """Interval records of ten minutes as text, across midnight."""
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = ["time,U L1 avg (V),U L1 min (V),U L1 max (V),Frequency (Hz)"]
    for i in range(round(hours * 6)):
        moment = datetime.fromisoformat(start) + timedelta(minutes=10 * i)
        volts = (230 + 3 * np.sin(i)) * factor
        lines.append(f"{moment.isoformat()}Z,{volts:.4f},{volts - 1:.4f},{volts + 1:.4f},50.01")
    path.write_text("\n".join(lines) + "\n")
    return path


def test_interval_records_are_stored_made_into_trends_and_judged_beside_the_waveforms(tmp_path: Path) -> None:
    fleet = fleet_with_captures(tmp_path / "fleet")
    write_records(fleet.inbox / SITE / "log.csv")
    summary = run_nightly(fleet)
    (recorded,) = [one for one in summary.files if one.path.suffix == ".csv"]
    assert (recorded.state, recorded.site, recorded.n_captures, recorded.n_recorded) == ("stored", SITE, 0, 2)
    assert (fleet.processed / SITE / "log.csv").is_file()
    store = Store(fleet.store)
    assert store.trend_days(SITE, 600.0, recorded=True) == [EVE, NEXT]
    assert [len(store.recorded(SITE, day)) for day in (EVE, NEXT)] == [1, 1]
    table = read_trend(fleet.store, site=SITE, interval_s=600.0, recorded=True)
    assert table.num_rows == 120
    assert table.column("u_rms_a").to_pylist()[1] == pytest.approx(230 + 3 * np.sin(1), abs=1e-3)
    verdicts = pq.read_table(fleet.store / "verdicts" / f"site={SITE}" / "verdicts.parquet", partitioning=None)
    assert {"", "recorded by the instrument"} == {point or "" for point in verdicts.column("point").to_pylist()}
    points = {one.point: one for one in points_of_survey(fleet)}
    assert set(points) == {"", "recorded by the instrument"}
    assert points["recorded by the instrument"].assessments
    assert summary_if_idle(fleet) is not None
    before = surveyed(fleet)
    write_records(fleet.inbox / SITE / "again.csv")
    again = run_nightly(fleet)
    assert [(one.state, one.n_recorded) for one in again.files] == [("known", 0)]
    assert surveyed(fleet) == before
    assert verify(fleet, in_this_process) == []


def test_records_before_or_after_the_captures_give_the_same_bytes(tmp_path: Path) -> None:
    first = fleet_with_captures(tmp_path / "a")
    run_nightly(first)
    write_records(first.inbox / SITE / "log.csv")
    late = run_nightly(first).survey
    assert late is not None
    assert late.days == ((SITE, EVE), (SITE, NEXT))
    second = fleet_with_captures(tmp_path / "b")
    write_records(second.inbox / SITE / "log.csv")
    run_nightly(second)
    assert surveyed(first) == surveyed(second)


def test_a_recorder_that_disagrees_with_its_waveforms_is_a_finding(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fleet = loaded(write_fleet(tmp_path / "fleet", extra=SURVEY.replace("limits", "# limits").replace("10", "1")))
    write_capture(made_capture("2026-03-02T06:00:00", seconds=40.0), fleet.inbox / SITE / "a.parquet")
    lines = ["time,U L1 avg (V)", *(f"2026-03-02T06:00:{i:02d}Z,{23.0 + i / 1e6}" for i in range(40))]
    (fleet.inbox / SITE / "log.csv").write_text("\n".join(lines) + "\n")
    summary = run_nightly(fleet)
    assert summary.survey is not None
    ((site, text),) = summary.survey.disagreements
    assert site == SITE
    assert "u_rms_a is 0.1 times the value from the waveforms: a transformer ratio or a unit" in text
    report(summary, nothing="")
    assert "recorder and waveforms disagree" in capsys.readouterr().out
    (one,) = (point for point in fleet_surveyed(fleet) if point.disagreements)
    assert (one.site, one.point, list(one.disagreements)) == (SITE, "", [text])
    assert run_nightly(fleet).survey is not None
    assert summary_if_idle(fleet) is not None


def test_damaged_records_are_set_aside_and_the_same_file_again_takes_their_place(tmp_path: Path) -> None:
    fleet = fleet_with_captures(tmp_path / "fleet")
    write_records(fleet.inbox / SITE / "log.csv")
    run_nightly(fleet)
    before = surveyed(fleet)
    (path,) = Store(fleet.store).recorded(SITE, NEXT)
    path.write_bytes(path.read_bytes()[:-30])
    assert [one.what for one in verify(fleet, in_this_process)] == ["damaged capture"]
    night = run_nightly(fleet)
    assert not night.is_whole
    assert night.survey is not None
    assert "set aside in the store" in night.survey.failed[0][2]
    assert Store(fleet.store).recorded(SITE, NEXT) == []
    run_nightly(fleet)
    assert read_trend(fleet.store, site=SITE, interval_s=600.0, recorded=True).num_rows == 12
    write_records(fleet.inbox / SITE / "log.csv")
    run_nightly(fleet)
    assert surveyed(fleet) == before


def test_records_that_cannot_be_read_are_quarantined_and_those_of_a_fleet_without_a_survey_are_kept(
    tmp_path: Path,
) -> None:
    fleet = fleet_with_captures(tmp_path / "a", survey="")
    path = write_records(fleet.inbox / SITE / "bad.csv", hours=2.0)
    path.write_text(path.read_text().replace("T23:10", "T21:10"))
    write_records(fleet.inbox / SITE / "good.csv")
    summary = run_nightly(fleet)
    states = {one.path.name: one.state for one in summary.files}
    assert (states["bad.csv"], states["good.csv"]) == ("quarantined", "stored")
    assert "the times must increase" in summary.quarantined[0].reason
    assert Store(fleet.store).recorded_days(SITE) == [EVE, NEXT]
    assert not (fleet.store / "trends").exists()


def test_a_log_of_half_cycles_flags_the_intervals_of_its_trend(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path / "fleet", extra=SURVEY))
    lines = ["time,U L1 (V)"]
    for i in range(6000):
        moment = datetime.fromisoformat("2026-03-02T06:00:00") + timedelta(seconds=i / 120)
        lines.append(f"{moment.isoformat(timespec='microseconds')}Z,{115.0 if 2400 <= i < 2460 else 230.0}")
    (fleet.inbox / SITE).mkdir(parents=True, exist_ok=True)
    (fleet.inbox / SITE / "log.csv").write_text("\n".join(lines) + "\n")
    run_nightly(fleet)
    table = read_trend(fleet.store, site=SITE, interval_s=10.0, recorded=True)
    assert table.column("flag").to_pylist() == [False, False, True, False, False]
