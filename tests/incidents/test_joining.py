"""Which events of many sites are one incident."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from made_fleet import halfcycle
from twins.twin_fleet import TwinFleet, twin_fleet

from halfcycle.pipeline.events import Event, events_of
from halfcycle.pipeline.incidents.fleet import FleetIncidents, fleet_incidents
from halfcycle.pipeline.incidents.tables import incident_table, member_table, with_fleet_incidents
from halfcycle.pipeline.synthesis.fleet.drawn import DrawnFleet, FleetPlan, drawn_fleet
from incidents.made_incidents import DAY_S, pair_scores, sag, table_of

DATA = Path(__file__).parents[2].parent / "shared" / "data"
THREE = ("fault-failed-reclose", "fault-failed-reclose-d", "fault-failed-reclose-e")


@pytest.fixture(scope="module")
def drawn() -> tuple[DrawnFleet, FleetIncidents]:
    fleet = drawn_fleet(FleetPlan(n_sites=80, n_areas=4, n_feeders=3, n_days=20, missing_share=0.05), seed=3)
    return fleet, fleet_incidents(fleet.table)


@pytest.fixture(scope="module")
def twin() -> tuple[TwinFleet, list[Event]]:
    fleet = twin_fleet(5, n_stations=5, n_behind=3, n_days=10, n_faults=100, lost=0.05)
    return fleet, [Event(**row) for row in fleet.rows]  # type: ignore[arg-type]


def groups(table: object, found: FleetIncidents) -> dict[str, tuple[str, str]]:
    """By event: its incident and shot."""
    rows = member_table(table, found).to_pylist()
    return {row["event_id"]: (row["incident_id"], row["shot_id"]) for row in rows}


def test_shots_and_incidents_of_a_drawn_fleet_are_told(drawn: tuple[DrawnFleet, FleetIncidents]) -> None:
    # The truth is the generator's; a fifth of the clocks is off by up to 2 s, some by an hour.
    fleet, found = drawn
    assert pair_scores(found.joined.shot[found.of_row], fleet.shot)["f1"] >= 0.98
    assert pair_scores(found.incident[found.of_row], fleet.cause)["f1"] >= 0.98


def test_incidents_of_the_twin_fleet_are_told(twin: tuple[TwinFleet, list[Event]]) -> None:
    # The twin solves another network by other means and reads its starts off windows one by one.
    fleet, events = twin
    table = table_of(events)
    found = fleet_incidents(table)
    fault = dict(zip((event.event_id for event in events), fleet.fault_of_row, strict=True))
    true = [fault[event_id] for event_id in table.column("event_id").to_pylist()]
    assert pair_scores(found.joined.shot[found.of_row], true)["f1"] >= 0.995


def test_the_order_in_which_events_come_changes_nothing(twin: tuple[TwinFleet, list[Event]]) -> None:
    # Property: the incidents are a function of the set of events.
    table = table_of(twin[1])
    found = fleet_incidents(table)
    rows = list(range(table.num_rows))
    random.Random(1).shuffle(rows)
    mixed = table.take(rows)
    again = fleet_incidents(mixed)
    assert groups(table, found) == groups(mixed, again)
    assert incident_table(table, found).equals(incident_table(mixed, again))


def test_no_site_has_two_sightings_in_a_shot(drawn: tuple[DrawnFleet, FleetIncidents]) -> None:
    _, found = drawn
    pairs = np.stack([found.joined.shot, found.sightings.site])
    assert np.unique(pairs, axis=1).shape[1] == found.sightings.n


def test_a_late_recorder_keeps_the_least_of_the_ids() -> None:
    # By hand: two sites at the same instants as a third; ids are the least of the members' event ids.
    early = [sag(site, t) for site in ("Quay", "Mill") for t in (100.0, 4000.0, 9000.0)]
    late = [sag("Abbey", t) for t in (100.0, 4000.0, 9000.0)]
    for events in (early, [*early, *late]):
        table = table_of(events)
        members = member_table(table, fleet_incidents(table)).to_pylist()
        for t in (100.0, 4000.0, 9000.0):
            same = [event.event_id for event in events if event.start == sag("Quay", t).start]
            told = {row["incident_id"] for row in members if row["event_id"] in same}
            assert told == {min(same)}


def test_rows_of_one_site_that_start_together_are_one_sighting_and_parts_go_with_their_whole() -> None:
    whole = sag("Quay", 50.0, low=0.04, length_s=1.0)
    part = replace(sag("Quay", 50.2, low=0.03, length_s=0.7), kind="interruption", part_of=whole.event_id)
    bus = sag("Quay", 50.01, low=0.6, point="bus 2")
    table = table_of([whole, part, bus])
    found = fleet_incidents(table)
    assert found.sightings.n == 1
    assert set(found.of_row.tolist()) == {0}
    assert found.sightings.low_pu[0] == pytest.approx(0.6)  # of the points that are not switched off


def test_a_fault_and_the_reclosure_onto_it_are_two_shots_of_one_incident_and_another_fault_is_not() -> None:
    depths = {"Quay": 0.42, "Mill": 0.61, "Abbey": 0.75}
    first = [sag(site, 10.0, low=low) for site, low in depths.items()]
    again = [sag(site, 10.9, low=low + 0.004) for site, low in depths.items()]
    other = [sag(site, 30.0, low=1.1 - low, phases="B") for site, low in depths.items()]
    table = table_of([*first, *again, *other])
    found = fleet_incidents(table)
    rows = incident_table(table, found).to_pylist()
    assert [(row["shots"], row["sites"], row["events"]) for row in rows] == [(2, 3, 6), (1, 3, 3)]
    assert [row["worst_site"] for row in rows] == ["Quay", "Abbey"]
    assert rows[0]["site_names"] == "Quay; Mill; Abbey"


def test_events_of_another_length_do_not_join_by_chance() -> None:
    # 1.7 s apart, one of 0.1 s and one of 3 s: nothing but the hour speaks for it.
    table = table_of([sag("Quay", 20.0, length_s=0.1), sag("Mill", 21.7, length_s=3.0, phases="BC")])
    assert fleet_incidents(table).n == 2


def test_steady_states_are_incidents_of_their_own_and_the_recorders_times_stay() -> None:
    steady = replace(sag("Quay", 20.0), kind="unbalance", event_id="u1")
    table = table_of([steady, sag("Quay", 20.0), sag("Mill", 20.0)])
    joined = with_fleet_incidents(table, fleet_incidents(table))
    assert joined.column("start").equals(table.column("start"))
    by_kind = {row["kind"]: row for row in joined.to_pylist()}
    assert by_kind["unbalance"]["incident_id"] == "u1"
    assert by_kind["unbalance"]["corrected_start"] == by_kind["unbalance"]["start"]
    assert len(events_of(joined)) == 3


def test_an_empty_catalogue_has_no_incidents() -> None:
    table = table_of([])
    found = fleet_incidents(table)
    assert found.n == 0
    assert incident_table(table, found).num_rows == 0
    assert member_table(table, found).num_rows == 0


def test_a_clock_that_is_right_is_not_moved_by_one_that_is_wrong() -> None:
    # By hand: three sites agree, a fourth is 1.5 s late at each of six sags.
    times = [DAY_S * k / 2 + 500.0 for k in range(6)]
    events = [sag(site, t + late) for site, late in (("A", 0), ("B", 0), ("C", 0), ("D", 1.5)) for t in times]
    table = table_of(events)
    rows = member_table(table, fleet_incidents(table)).to_pylist()
    assert len({row["incident_id"] for row in rows}) == 6
    for row in rows:
        assert row["clock_offset_s"] == pytest.approx(1.5 if row["site"] == "D" else 0.0, abs=1e-3)


@pytest.mark.slow
def test_three_substations_of_one_measured_fault_are_one_incident(tmp_path: Path) -> None:
    # INDEX.md of the shared data: the same fault and failed reclosure; dips of 0.614 (d), 0.695 and 0.728 (e), about
    # 1.13 s apart; clocks of the recorders as they were. The starts on the waveforms are 0.805 and 7.000 s apart.
    files = [DATA / f"{name}{ending}" for name in THREE for ending in (".cfg", ".dat")]
    if not all(path.exists() for path in files):
        pytest.skip("shared recordings are not there")
    out = tmp_path / "e.parquet"
    folder = tmp_path / "in"
    folder.mkdir()
    for path in files:
        (folder / path.name).write_bytes(path.read_bytes())
    assert halfcycle("screen", folder, "--out", out).returncode in (0, 3)
    table = pq.read_table(out)
    found = fleet_incidents(table)
    (row,) = incident_table(table, found).to_pylist()
    assert (row["sites"], row["shots"]) == (3, 2)
    assert row["site_names"] == "station-d; station-c; station-e"
    clocks = {found.sightings.sites[s]: k for k, s in enumerate(found.clocks.site.tolist())}
    for site, ahead_s in (("station-e", 0.805), ("station-d", 7.000)):
        k = clocks[site]
        assert found.clocks.low_s[k] - found.clocks.low_s[clocks["station-c"]] <= ahead_s + 0.01
        assert found.clocks.low_s[k] <= ahead_s <= found.clocks.high_s[k]
        assert found.clocks.offset_s[k] == pytest.approx(ahead_s, abs=0.01)


@pytest.mark.long
def test_what_is_joined_on_a_day_depends_on_the_weeks_around_it_alone() -> None:
    # Property: what the nightly run relies on when it joins some days of many.
    fleet = drawn_fleet(FleetPlan(n_sites=40, n_areas=3, n_feeders=2, n_days=75), seed=9)
    day = (fleet.table.column("start").cast("int64").to_numpy() - FleetPlan().first_day_ns) // (DAY_S * 10**9)
    part = fleet.table.take(np.flatnonzero(day <= 67))
    asked = set(fleet.table.take(np.flatnonzero(day <= 32)).column("event_id").to_pylist())
    rows, incidents = [], []
    for table in (fleet.table, part):
        found = fleet_incidents(table)
        rows.append([row for row in member_table(table, found).to_pylist() if row["event_id"] in asked])
        told = incident_table(table, found).to_pylist()
        incidents.append([row for row in told if row["incident_id"] in asked])
        assert found.shares.learned.any()
    assert len(rows[0]) > 300
    assert rows[0] == rows[1]
    assert incidents[0] == incidents[1]
