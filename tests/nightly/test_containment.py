"""What one file, capture, folder or catalogue meets costs itself alone, is named, and is tried no more in the end."""

from __future__ import annotations

import time
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from made_fleet import SITE, catalogue_bytes, events_in, loaded, made_capture, names, states, write_capture, write_fleet
from made_poison import WAYS, guest_folder, halfcycle_beside, installed, poison_file, poisoned

import halfcycle.pipeline.nightly.ingest as ingest_module
import halfcycle.pipeline.nightly.judging as judging_module
from halfcycle.pipeline.cli.fleet_commands import report
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.at_hand import MOST_STRIKES, MOST_UNTRIED, AtHand, Strikes, key_of_file
from halfcycle.pipeline.nightly.building import Trial
from halfcycle.pipeline.nightly.culprits import culprits
from halfcycle.pipeline.nightly.days import Day, coverage_of
from halfcycle.pipeline.nightly.ingest import ingest_files
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.processes import spread_apart
from halfcycle.pipeline.readers import readers
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.partitions import Store

pytestmark = pytest.mark.slow

SOURCE = "the project's own design: what goes wrong is a reason on that file, day or event, and the rest is done"
SITES = (SITE, "Weir", "Mill Lane")
DAYS = ("2026-03-01", "2026-03-02")


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    """A sag at noon of two days at three sites, in the inbox."""
    fleet = loaded(write_fleet(tmp_path / "fleet", sites=SITES, extra="[detectors.rapid_voltage_change]\n"))
    for i, site in enumerate(SITES):
        for k, day in enumerate(DAYS):
            capture = made_capture(f"{day}T12:00:00", sags=[(0.8, 0.3, 0.6)], seed=10 * i + k)
            write_capture(capture, fleet.inbox / site / f"{day}.cfg")
    return fleet


def sites_of(fleet: Fleet) -> list[str]:
    """The site of each sag."""
    return [event.site for event in events_in(fleet) if event.kind == "sag"]


# --- Folders and catalogues -------------------------------------------------------------------------------------------


def test_a_site_whose_captures_cannot_be_written_keeps_its_files_and_stops_no_other(fleet: Fleet) -> None:
    # SOURCE.
    blocked = fleet.store / "waveforms" / "site=Weir"
    blocked.parent.mkdir(parents=True)
    blocked.write_text("a file in its place")
    summary = run_nightly(fleet)
    assert {(o.path.parent.name, o.state) for o in summary.files} == {
        (SITE, "stored"), ("Weir", "left"), ("Mill Lane", "stored"),
    }  # fmt: skip
    assert "cannot be" in summary.left[0].reason
    assert report(summary, nothing="") == 3
    assert sorted(sites_of(fleet)) == ["Mill Lane", "Mill Lane", SITE, SITE]
    assert names(fleet.store / ".staging") == []
    blocked.unlink()
    assert run_nightly(fleet).is_whole
    assert len(sites_of(fleet)) == 6


def test_a_site_whose_catalogue_cannot_be_written_stops_no_other(
    fleet: Fleet, capsys: pytest.CaptureFixture[str]
) -> None:
    # SOURCE.
    blocked = fleet.store / "catalogue" / "site=Weir"
    blocked.parent.mkdir(parents=True)
    blocked.write_text("a file in its place")
    summary = run_nightly(fleet)
    assert [failure.day.site for failure in summary.failed] == ["Weir", "Weir"]
    assert report(summary, nothing="") == 3
    assert "no catalogue of Weir, 2026-03-01: " in capsys.readouterr().err
    assert len(summary.days) == 4
    blocked.unlink()
    assert [outcome.day.site for outcome in run_nightly(fleet).days] == ["Weir", "Weir"]
    assert len(sites_of(fleet)) == 6


def test_one_damaged_catalogue_is_named_and_made_anew_and_no_other_is_touched(fleet: Fleet) -> None:
    # SOURCE.
    run_nightly(fleet)
    whole = catalogue_bytes(fleet.store)
    path = Store(fleet.store).catalogue_path("Weir", date(2026, 3, 1))
    path.write_bytes(path.read_bytes()[:-10])
    summary = run_nightly(fleet)
    assert summary.damaged == (Day("Weir", date(2026, 3, 1)),)
    assert [outcome.day for outcome in summary.days] == [Day("Weir", date(2026, 3, 1))]
    assert report(summary, nothing="") == 3
    assert catalogue_bytes(fleet.store) == whole


def test_one_damaged_stored_capture_has_a_row_in_the_coverage_and_costs_no_other_day(fleet: Fleet) -> None:
    # SOURCE.
    run_nightly(fleet, catalogue=False)
    (path,) = Store(fleet.store).captures("Weir", date(2026, 3, 1))
    content = bytearray(path.read_bytes())
    content[1000:2000] = bytes(1000)
    path.write_bytes(content)
    summary = run_nightly(fleet)
    assert [named for named, _ in summary.set_aside] == [path]
    assert report(summary, nothing="") == 3
    assert len(sites_of(fleet)) == 5
    (span,) = coverage_of(fleet, [Day("Weir", date(2026, 3, 1))])
    assert (span.judged_s, span.not_judged_s) == (0.0, pytest.approx(2.0))
    assert "damaged" in span.reason
    write_capture(made_capture(f"{DAYS[0]}T12:00:00", sags=[(0.8, 0.3, 0.6)], seed=10), fleet.inbox / "Weir" / "a.cfg")
    assert run_nightly(fleet).is_whole
    assert len(sites_of(fleet)) == 6


# --- Faults -----------------------------------------------------------------------------------------------------------


@pytest.mark.long
def test_what_fails_in_one_process_and_not_in_another_costs_nothing(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE; a shortage of memory is such a fault.
    run_nightly(fleet, catalogue=False)

    def short(*arguments: Any, **options: Any) -> Any:
        raise MemoryError

    monkeypatch.setattr(judging_module, "judge_span", short)
    summary = run_nightly(fleet)
    assert summary.is_whole
    assert len(sites_of(fleet)) == 6


def test_an_event_whose_explanation_fails_keeps_its_row_and_is_counted(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # SOURCE.
    import halfcycle.pipeline.catalogue.causes as causes_module

    def fails(*arguments: Any, **options: Any) -> Any:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(causes_module, "explain", fails)
    summary = run_nightly(fleet)
    assert sum(day.n_mishaps for day in summary.days) == sum("not explained" in e.notes for e in events_in(fleet)) >= 6
    assert report(summary, nothing="") == 3
    assert "an event could not be fully explained or classified" in capsys.readouterr().err


@pytest.mark.parametrize("together", [False, True])
def test_culprits_are_found_by_themselves_and_beside_others(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, together: bool
) -> None:
    # SOURCE. The fault: two named captures each, or the later of them beside the earlier.
    import halfcycle.pipeline.nightly.culprits as culprits_module

    for hour in range(6):
        write_capture(made_capture(f"{DAYS[0]}T0{hour}:00:00", seed=hour), fleet.inbox / SITE / f"{hour}.csv")
    run_nightly(fleet, catalogue=False)
    held = Store(fleet.store).captures(SITE, date(2026, 3, 1))
    bad = {held[1], held[4]}

    def told(trials: list[Trial], fleet: Fleet) -> list[str]:
        return ["bad" if (bad <= t.captures if together else bad & t.captures) else "" for t in trials]

    monkeypatch.setattr(culprits_module, "try_days", told)
    found = culprits(Day(SITE, date(2026, 3, 1)), fleet, in_this_process)
    assert found == ({held[4]: "bad"} if together else dict.fromkeys(sorted(bad), "bad"))


def test_a_day_that_fails_without_any_capture_has_no_culprit(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    import halfcycle.pipeline.nightly.culprits as culprits_module

    run_nightly(fleet, catalogue=False)
    monkeypatch.setattr(culprits_module, "try_days", lambda trials, fleet: ["bad"] * len(trials))
    assert culprits(Day(SITE, date(2026, 3, 1)), fleet, in_this_process) == {}


# --- Strikes ----------------------------------------------------------------------------------------------------------


def strike(fleet: Fleet, path: Path) -> None:
    """What a run leaves that ended with a file at hand."""
    mark = AtHand(fleet)
    mark.__enter__()
    mark.on(key_of_file(path, fleet))


def test_files_at_hand_when_runs_ended_are_tried_apart_and_forgotten_when_done(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE.
    path = fleet.inbox / SITE / f"{DAYS[0]}.cfg"
    done_here: list[Path] = []

    def here(files: list[Path], fleet: Fleet) -> Any:
        done_here.extend(files)
        return ingest_files(files, fleet)

    monkeypatch.setattr("halfcycle.pipeline.nightly.run.ingest_files", here)
    for _ in range(MOST_STRIKES):
        strike(fleet, path)
        assert Strikes(fleet)[key_of_file(path, fleet)] > 0
    monkeypatch.undo()
    summary = run_nightly(fleet)
    assert summary.is_whole
    assert names(fleet.inbox) == []
    assert Strikes(fleet)[key_of_file(path, fleet)] == 0
    assert done_here == []
    assert names(fleet.store / ".at_hand") == []


def test_a_file_that_was_at_hand_whenever_a_run_ended_is_quarantined_untried_in_the_end(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE: never tried for ever.
    path = fleet.inbox / SITE / f"{DAYS[0]}.cfg"
    for _ in range(MOST_UNTRIED):
        strike(fleet, path)
        Strikes(fleet)
    summary = run_nightly(fleet)
    assert [(o.path, o.state) for o in summary.quarantined] == [(path, "quarantined")]
    assert f"ended {MOST_UNTRIED} runs" in summary.quarantined[0].reason
    assert len(sites_of(fleet)) == 5


def test_a_damaged_count_of_strikes_is_begun_anew(fleet: Fleet) -> None:
    (fleet.store / ".at_hand").mkdir(parents=True)
    (fleet.store / ".at_hand" / "strikes.json").write_text('["')
    assert run_nightly(fleet).is_whole


def test_a_file_that_has_gone_or_was_moved_by_a_process_that_ended_is_told_apart(fleet: Fleet) -> None:
    # SOURCE.
    stored, quarantined = fleet.inbox / SITE / f"{DAYS[0]}.cfg", fleet.inbox / SITE / "bad.csv"
    quarantined.write_bytes(b"\x00")
    ingest_files([stored, quarantined], fleet)
    again = ingest_files([stored, quarantined, fleet.inbox / SITE / "no.csv"], fleet)
    assert [outcome.state for outcome in again] == ["stored", "quarantined", "left"]


def test_a_file_that_goes_while_it_is_looked_at_is_named(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE.
    def gone(path: Path) -> Any:
        raise FileNotFoundError(2, "No such file or directory", str(path))

    monkeypatch.setattr(ingest_module, "state_of", gone)
    summary = run_nightly(fleet)
    assert {outcome.state for outcome in summary.files} == {"left"}
    assert states(fleet.model_copy(update={"sites": fleet.sites[:1]})) == {}


# --- Real processes ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.long
def test_poison_costs_itself_alone_whatever_it_does_to_its_process(tmp_path: Path, way: str) -> None:
    # SOURCE.
    guest = guest_folder(tmp_path / "guest")
    config = write_fleet(tmp_path / "fleet", sites=(SITE, "Weir"), extra="[detectors.poison]\n")
    inbox = config.parent / "inbox"
    for i, site in enumerate((SITE, "Weir")):
        capture = made_capture("2026-03-01T12:00:00", sags=[(0.8, 0.3, 0.6)], seed=i)
        write_capture(capture, inbox / site / "good.cfg")
    write_capture(poisoned(made_capture("2026-03-01T15:00:00", seed=7), way), inbox / SITE / "judged.cfg")
    poison_file(inbox / "Weir" / "read.txt", way)
    deadline = time.monotonic() + 280
    while True:  # what kills the run itself is tried apart by the next
        done = halfcycle_beside(guest, "ingest", "--config", config)
        if names(inbox) == [] or time.monotonic() > deadline:
            break
    assert "quarantined" in done.stderr
    assert names(config.parent / "quarantine") == ["Weir/read.txt", "Weir/read.txt.reason.txt"]
    while True:
        done = halfcycle_beside(guest, "catalogue", "--config", config, "--out", tmp_path / "e.csv")
        if done.returncode >= 0 or time.monotonic() > deadline:
            break
    assert done.returncode == 3, done.stderr
    if way in ("bug", "memory"):  # in this process: costs what the detector would have found, and no more
        told = {"bug": "ZeroDivisionError: a bug", "memory": "MemoryError"}[way]
        assert f"detector failed: poison ({told})" in done.stdout
    else:
        assert "set aside in the store" in done.stderr
    rows = (tmp_path / "e.csv").read_text().splitlines()[1:]
    assert len(rows) == 2
    again = halfcycle_beside(guest, "catalogue", "--config", config)
    assert again.returncode == 0
    assert "0 days rebuilt" in again.stdout


def ready(items: list[int]) -> list[str]:
    """Import what a worker needs."""
    import pyarrow.parquet  # noqa: F401
    import scipy.signal  # noqa: F401

    readers()
    return [""] * len(items)


@pytest.mark.long
def test_a_file_that_takes_too_long_ends_its_process_and_no_more(tmp_path: Path) -> None:
    # SOURCE.
    fleet = loaded(write_fleet(tmp_path / "fleet", run="longest_s = 4.0"))
    with installed(guest_folder(tmp_path / "guest")), spread_apart(1) as spread:
        list(spread(ready, [[0]], lost=lambda item, reason: reason))  # what a process imports first takes its time, too
        write_capture(made_capture("2026-03-01T12:00:00"), fleet.inbox / SITE / "good.cfg")
        poison_file(fleet.inbox / SITE / "slow.txt", "hang")
        summary = run_nightly(fleet, spread=spread)
    assert {o.path.name: o.state for o in summary.files} == {"good.cfg": "stored", "slow.txt": "left"}
    assert f"1 of {MOST_STRIKES}" in summary.left[0].reason


def test_trends_that_cannot_be_made_cost_their_day_and_are_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # SOURCE.
    import halfcycle.pipeline.nightly.site_surveys as surveys_module

    fleet = loaded(write_fleet(tmp_path, extra='[survey]\nquantities = ["u_rms"]\ninterval_s = 600\n'))
    for day in DAYS:
        write_capture(made_capture(f"{day}T12:00:00", seconds=4.0), fleet.inbox / SITE / f"{day}.csv")
    made = surveys_module.SiteSurveys.make

    def failing(self: Any, site: Any, day: date) -> list[str]:
        if day == date(2026, 3, 1):
            raise ZeroDivisionError("a bug")
        return made(self, site, day)

    monkeypatch.setattr(surveys_module.SiteSurveys, "make", failing)
    summary = run_nightly(fleet)
    assert summary.survey is not None
    assert [(site, day) for site, day, _ in summary.survey.failed] == [(SITE, date(2026, 3, 1))]
    assert summary.survey.days == ((SITE, date(2026, 3, 2)),)
    assert report(summary, nothing="") == 3
    words = capsys.readouterr().err
    assert (
        f"no trends of {SITE}, 2026-03-01: unexpected ZeroDivisionError, halfcycle.pipeline.nightly.site_surveys line"
        in words
    )
    monkeypatch.undo()
    again = run_nightly(fleet)
    assert again.survey is not None
    assert again.survey.days == ((SITE, date(2026, 3, 1)),)
    assert again.is_whole
