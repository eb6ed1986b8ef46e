"""The exam of incidents: the bars on drawn fleets of 1,000 recorders, on the twin fleet, and the time it takes."""

from __future__ import annotations

import time

import numpy as np
import pyarrow as pa
import pytest
from twins.twin_fleet import twin_fleet

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.incidents.clock_days import NOTE_DRIFT_S_A_DAY, ClockDays
from halfcycle.pipeline.incidents.fleet import FleetIncidents, fleet_incidents
from halfcycle.pipeline.incidents.tables import incident_table, member_table
from halfcycle.pipeline.incidents.topology import Topology
from halfcycle.pipeline.synthesis.fleet.clocks import KINDS, ClockMix
from halfcycle.pipeline.synthesis.fleet.drawn import DrawnFleet, FleetPlan, drawn_fleet
from incidents.made_incidents import DAY_S, calibration_error, pair_scores, table_of

pytestmark = pytest.mark.exam
SEEDS = (21, 22, 23)


def plan(missing: float = 0.0, drifting: float = 0.0, days: int = 30) -> FleetPlan:
    """1,000 recorders in 20 areas of 5 feeders; a fifth of the clocks is off by up to 2 s, a twentieth by an hour."""
    mix = ClockMix(drifting_share=drifting)
    return FleetPlan(n_sites=1000, n_areas=20, n_feeders=5, n_days=days, missing_share=missing, clocks=mix)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("missing", "bar"), [(0.0, 0.995), (0.1, 0.98)])
def test_pairs_of_events_are_told(seed: int, missing: float, bar: float) -> None:
    fleet = drawn_fleet(plan(missing), seed=seed)
    found = fleet_incidents(fleet.table)
    assert pair_scores(found.joined.shot[found.of_row], fleet.shot)["f1"] >= bar
    assert pair_scores(found.incident[found.of_row], fleet.cause)["f1"] >= bar


@pytest.mark.parametrize("seed", SEEDS)
def test_pairs_are_told_where_a_tenth_of_the_clocks_drifts_as_well(seed: int) -> None:
    # No bar was asked for here: what is reached is held.
    fleet = drawn_fleet(plan(drifting=0.1), seed=seed)
    found = fleet_incidents(fleet.table)
    assert pair_scores(found.joined.shot[found.of_row], fleet.shot)["f1"] >= 0.97


def true_offsets(site: np.ndarray, day: np.ndarray, offset_s: np.ndarray, clocks: ClockDays) -> np.ndarray:  # type: ignore[type-arg]
    """Mean of the true offsets of a site's events of each day, the zone that was told left out."""
    key = site * 1_000_000 + day
    cells, of = np.unique(key, return_inverse=True)
    mean = np.bincount(of, offset_s) / np.bincount(of)
    return np.asarray(mean[np.searchsorted(cells, clocks.site * 1_000_000 + clocks.day)] - clocks.zone_s)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("drifting", [0.0, 0.1])
def test_clock_offsets_are_within_5_ms_and_their_intervals_hold(seed: int, drifting: float) -> None:
    fleet = drawn_fleet(plan(drifting=drifting), seed=seed)
    found = fleet_incidents(fleet.table)
    s, clocks = found.sightings, found.clocks
    true = true_offsets(s.site, s.start_ns // (DAY_S * 10**9), fleet.offset_s[s.row], clocks)
    assert np.median(np.abs(clocks.offset_s - true)) <= 0.005
    assert np.mean((clocks.low_s <= true) & (true <= clocks.high_s)) >= 0.95


@pytest.mark.parametrize("seed", SEEDS)
def test_stated_drifts_of_steady_clocks_hold_and_drifting_ones_are_found(seed: int) -> None:
    # A tenth of the clocks drifts by up to 0.3 s a day and is set every ten days. No bar was asked for: what is reached
    # is held. Of those that drift by more than 0.05 s a day 83 to 94 % are named on some day of a month.
    fleet = drawn_fleet(plan(drifting=0.1), seed=seed)
    found = fleet_incidents(fleet.table)
    clocks = found.clocks
    site = places(fleet, found)[clocks.site]
    drifting = fleet.clocks.kind[site] == KINDS.index("drifting")
    held = (clocks.drift_low_s_a_day <= 0) & (clocks.drift_high_s_a_day >= 0)
    worth = ~held & (np.abs(clocks.drift_s_a_day) > NOTE_DRIFT_S_A_DAY)
    assert np.mean(held[~drifting]) >= 0.95
    assert np.mean(worth[~drifting]) <= 0.01
    fast = drifting & (np.abs(fleet.clocks.drift_s_a_day[site]) > 0.05)
    assert len(set(site[fast & worth].tolist())) >= 0.8 * len(set(site[fast].tolist()))


def true_origins(fleet: DrawnFleet, found: FleetIncidents) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    """Incidents of several sites that are faults, and the site at which each was."""
    cause = np.zeros(found.n, dtype=int)
    cause[found.incident[found.of_row]] = fleet.cause
    at = np.full(int(fleet.faults.cause.max()) + 1, -1)
    at[fleet.faults.cause] = fleet.faults.at
    held = np.flatnonzero((np.bincount(found.shares.incident) > 1) & (cause < len(at)))
    return held, at[cause[held]]


def places(fleet: DrawnFleet, found: FleetIncidents) -> np.ndarray:  # type: ignore[type-arg]
    """Number in the network of each site that the incidents count in."""
    number = {name: i for i, name in enumerate(fleet.network.names)}
    return np.array([number[name] for name in found.sightings.sites])


def test_true_areas_and_feeders_are_found_and_probabilities_mean_what_they_say() -> None:
    areas, feeders = [], []
    plain: list[tuple[float, bool]] = []
    informed: list[tuple[float, bool]] = []
    for seed, missing in zip(SEEDS, (0.0, 0.05, 0.1), strict=True):
        fleet = drawn_fleet(plan(missing), seed=seed)
        network = fleet.network
        topology = Topology(network.names, network.fed_by, ("",) * network.n)
        for net, told in ((None, plain), (topology, informed)):
            found = fleet_incidents(fleet.table, topology=net)
            held, true = true_origins(fleet, found)
            ranked = np.where(found.origins.site >= 0, places(fleet, found)[found.origins.site], -1)[held]
            told.extend(zip(found.origins.probability[held, 0], ranked[:, 0] == true, strict=True))
            if net is None:
                near = np.where(ranked >= 0, network.area[ranked], -1)[:, :3]
                areas += np.any(near == network.area[true][:, None], axis=1).tolist()
            else:
                feeders += (network.feeder[ranked[:, 0]] == network.feeder[true]).tolist()
    assert np.mean(areas) >= 0.95
    assert np.mean(feeders) >= 0.90
    for told in (plain, informed):
        assert calibration_error(*(np.array(column) for column in zip(*told, strict=True))) <= 0.05


def test_the_twin_fleet_is_told_as_well() -> None:
    # Nothing was set by this one: another network, other clocks, starts read off windows one by one.
    told: list[tuple[float, bool]] = []
    held, errors = [], []
    for seed in range(31, 37):
        fleet = twin_fleet(seed, lost=0.1 * (seed % 2))
        table = table_of(Event(**row) for row in fleet.rows)  # type: ignore[arg-type]
        found = fleet_incidents(table)
        number = {row["event_id"]: i for i, row in enumerate(fleet.rows)}
        order = np.array([number[event_id] for event_id in table.column("event_id").to_pylist()])
        fault, offset_s = np.array(fleet.fault_of_row)[order], np.array(fleet.offset_of_row)[order]
        assert pair_scores(found.joined.shot[found.of_row], fault)["f1"] >= 0.995
        s, clocks = found.sightings, found.clocks
        of_sighting = np.zeros(s.n)
        of_sighting[found.of_row] = offset_s
        true = true_offsets(s.site, s.start_ns // (DAY_S * 10**9), of_sighting, clocks)
        errors += np.abs(clocks.offset_s - true).tolist()
        held += ((clocks.low_s <= true) & (true <= clocks.high_s)).tolist()
        at = np.zeros(found.n, dtype=int)
        at[found.incident[found.of_row]] = fault
        several = np.bincount(found.shares.incident) > 1
        first = np.array(s.sites)[found.origins.site[:, 0]] == np.array(fleet.site_of_fault)[at]
        told += zip(found.origins.probability[several, 0], first[several], strict=True)
    assert np.median(errors) <= 0.005
    assert np.mean(held) >= 0.95
    assert calibration_error(*(np.array(column) for column in zip(*told, strict=True))) <= 0.05


def test_the_time_of_a_million_events_and_of_a_night(capsys: pytest.CaptureFixture[str]) -> None:
    # The bar, 60 s for a million events on one core, is printed and not held: no test fails because a machine is slow.
    # What is held is that the time grows as the number of events does.
    seconds = {}
    for days in (71, 284):
        fleet = drawn_fleet(plan(days=days), seed=41)
        table: pa.Table = fleet.table
        begin = time.process_time()
        found = fleet_incidents(table)
        incident_table(table, found)
        member_table(table, found)
        seconds[days] = (time.process_time() - begin, table.num_rows)
    (short, n_short), (long, n_long) = seconds.values()
    with capsys.disabled():
        print(f"\na night with 71 days around it: {n_short} events, {short:.2f} s of CPU")
        print(f"{n_long} events: {long:.1f} s of CPU, {1e6 * long / n_long:.0f} s a million")
    assert long / n_long <= 2 * short / n_short
