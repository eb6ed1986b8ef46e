"""What becomes of days whose waveforms are removed from the store: their catalogue stands, and says so."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    cut,
    drop,
    events_in,
    loaded,
    made_capture,
    names,
    states,
    with_sag,
    write_fleet,
)

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.days import Day, coverage_of
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle, update_days

DAY_1, DAY_2, DAY_3 = "2026-03-01", "2026-03-02", "2026-03-03"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return loaded(write_fleet(tmp_path / "fleet"))


def stored(fleet: Fleet, day: str) -> list[Path]:
    return sorted((fleet.store / "waveforms" / f"site={SITE}" / f"date={day}").glob("*.parquet"))


def remove(fleet: Fleet, day: str) -> None:
    for path in stored(fleet, day):
        path.unlink()


def test_a_day_whose_captures_were_removed_keeps_its_events(fleet: Fleet) -> None:
    drop(fleet, with_sag(DAY_1), "a.csv")
    drop(fleet, with_sag(DAY_1, "13:00:00", 0.7), "b.csv")
    run_nightly(fleet)
    before = catalogue_bytes(fleet.store)
    for _ in range(2):
        stored(fleet, DAY_1)[0].unlink()
        assert states(fleet) == {DAY_1: "frozen"}
        assert summary_if_idle(fleet) is not None
        assert run_nightly(fleet).days == ()
        assert catalogue_bytes(fleet.store) == before


def test_what_is_removed_and_sent_again_is_judged_again(fleet: Fleet) -> None:
    drop(fleet, with_sag(DAY_1), "a.csv")
    run_nightly(fleet)
    before = catalogue_bytes(fleet.store)
    remove(fleet, DAY_1)
    drop(fleet, with_sag(DAY_1), "again.csv")
    run_nightly(fleet)
    assert states(fleet) == {DAY_1: "fresh"}
    assert catalogue_bytes(fleet.store) == before


def test_other_settings_and_a_rebuild_leave_such_a_day_as_it_is(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path))
    for day in (DAY_1, DAY_3):
        drop(fleet, with_sag(day), f"{day}.csv")
    run_nightly(fleet)
    remove(fleet, DAY_1)
    changed = loaded(write_fleet(tmp_path, extra="[thresholds.ieee-1159]\nsag_pu = 0.45\n"))
    assert states(changed) == {DAY_1: "frozen", DAY_3: "stale"}
    done = update_days(changed, sites=[SITE], first=None, last=None, rebuild=True)
    assert [day.day.isoformat() for day in done.built] == [DAY_3]
    assert [date.fromisoformat(DAY_1)] == [day.day for day, state in done.states if state == "frozen"]
    assert len(events_in(changed)) == 1


def test_a_capture_that_comes_late_for_such_a_day_is_judged_beside_what_it_holds(fleet: Fleet) -> None:
    drop(fleet, with_sag(DAY_1), "a.csv")
    drop(fleet, with_sag(DAY_1, "14:00:00", 0.6, seed=2), "b.csv")
    run_nightly(fleet)
    before = events_in(fleet)
    stored(fleet, DAY_1)[0].unlink()
    drop(fleet, with_sag(DAY_1, "13:00:00", 0.7, seed=3), "late.csv")
    run_nightly(fleet)
    assert states(fleet) == {DAY_1: "frozen"}
    found = events_in(fleet)
    assert len(found) == 3
    assert [event for event in found if event.magnitude < 0.65] == before
    (span,) = coverage_of(fleet, [Day(SITE, date.fromisoformat(DAY_1))])
    assert span.judged_s == pytest.approx(6.0)  # three captures of 2 s
    drop(fleet, with_sag(DAY_1, "16:00:00", 0.8, seed=4), "later.csv")
    run_nightly(fleet)
    assert len(events_in(fleet)) == 4


def test_the_day_after_keeps_what_led_into_it(fleet: Fleet) -> None:
    """A sag over midnight: without its first half the second day would begin with a sag of its own."""
    halves = cut(made_capture(f"{DAY_1}T23:59:56", seconds=8.0, sags=[(3.8, 0.5, 0.6), (6.0, 0.1, 0.7)]), 4.0)
    whole = made_capture(f"{DAY_1}T23:59:56", seconds=8.0, sags=[(3.8, 0.5, 0.6), (6.0, 0.1, 0.7)])
    assert len(halves) == 2
    drop(fleet, whole, "whole.parquet")
    drop(fleet, with_sag(DAY_3), "c.csv")
    run_nightly(fleet)
    before = catalogue_bytes(fleet.store)
    remove(fleet, DAY_1)
    assert states(fleet) == {DAY_1: "frozen", DAY_2: "frozen", DAY_3: "fresh"}
    run_nightly(fleet)
    assert catalogue_bytes(fleet.store) == before


def test_a_day_beside_one_whose_waveforms_are_gone_goes_on_as_before(fleet: Fleet) -> None:
    for day in (DAY_1, DAY_2):
        drop(fleet, with_sag(day), f"{day}.csv")
    run_nightly(fleet)
    before = events_in(fleet)
    remove(fleet, DAY_1)
    drop(fleet, with_sag(DAY_2, "15:00:00", 0.7), "late.csv")
    run_nightly(fleet)
    assert states(fleet) == {DAY_1: "frozen", DAY_2: "fresh"}
    assert [event for event in events_in(fleet) if event.magnitude < 0.65] == before


def test_the_days_beside_one_whose_waveforms_are_gone_are_not_made_anew_for_that(fleet: Fleet) -> None:
    for day in (DAY_1, DAY_2, DAY_3):
        drop(fleet, with_sag(day), f"{day}.csv")
    run_nightly(fleet)
    remove(fleet, DAY_2)
    assert states(fleet) == {DAY_1: "fresh", DAY_2: "frozen", DAY_3: "fresh"}
    drop(fleet, with_sag(DAY_1, "15:00:00", 0.7), "late.csv")
    assert [day.day.day.isoformat() for day in run_nightly(fleet).days] == [DAY_1]
    assert states(fleet) == {DAY_1: "fresh", DAY_2: "frozen", DAY_3: "fresh"}


def test_a_day_of_a_catalogue_that_lists_no_captures_stands_once_all_are_gone(fleet: Fleet) -> None:
    """As an older version wrote it."""
    import pyarrow.parquet as pq

    from halfcycle.pipeline.nightly.catalogue_file import CATALOGUE_KEY

    drop(fleet, with_sag(DAY_1), "a.csv")
    run_nightly(fleet)
    (path,) = (fleet.store / "catalogue").rglob("*.parquet")
    table = pq.read_table(path, partitioning=None)
    document = json.loads(table.schema.metadata[CATALOGUE_KEY])
    del document["captures"]
    pq.write_table(table.replace_schema_metadata({CATALOGUE_KEY: json.dumps(document)}), path)
    assert states(fleet) == {DAY_1: "fresh"}
    remove(fleet, DAY_1)
    assert states(fleet) == {DAY_1: "frozen"}
    assert names(fleet.store / "catalogue")
