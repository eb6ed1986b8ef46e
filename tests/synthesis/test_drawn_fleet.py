"""Drawn fleets: their networks against Kirchhoff's laws, their faults and clocks against what was asked for."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis.fleet.clocks import ClockMix
from halfcycle.pipeline.synthesis.fleet.drawn import FleetPlan, drawn_fleet
from halfcycle.pipeline.synthesis.fleet.network import drawn_network

PLAN = FleetPlan(n_sites=30, n_areas=3, n_feeders=2, n_days=10)


def test_the_same_seed_gives_the_same_fleet_and_another_one_another() -> None:
    assert drawn_fleet(PLAN, seed=1).table.equals(drawn_fleet(PLAN, seed=1).table)
    assert not drawn_fleet(PLAN, seed=1).table.equals(drawn_fleet(PLAN, seed=2).table)


def test_voltages_fall_to_nothing_at_a_bolted_fault_and_behind_it_and_rise_towards_the_source() -> None:
    # Derived: what hangs behind a bolted fault has no other source, so it has its voltage.
    network = drawn_network(30, n_areas=3, n_feeders=2, seed=1)
    behind = network.behind()
    at = np.arange(network.n)
    v = network.residual_pu(at, np.zeros(network.n))
    for fault in range(network.n):
        assert v[fault, fault] == pytest.approx(0, abs=1e-9)
        assert v[fault][behind[:, fault] & (network.level[fault] == 1)] == pytest.approx(0, abs=1e-9)
        upper = network.fed_by[fault]
        if upper >= 0:
            assert v[fault, upper] > 0.01


def test_the_true_offset_is_the_difference_of_recorded_and_true_start() -> None:
    fleet = drawn_fleet(PLAN, seed=4)
    refined = fleet.table.column("refined_start").cast("int64").to_pylist()
    fault_s = dict(enumerate(fleet.faults.t_s.tolist()))
    off = [
        (ns - PLAN.first_day_ns) * 1e-9 - fault_s[int(shot)] - offset
        for ns, shot, offset in zip(refined, fleet.shot, fleet.offset_s, strict=True)
        if ns is not None and int(shot) in fault_s
    ]
    assert len(off) > 100
    assert np.abs(off).max() < 0.003


def test_captures_go_missing_as_often_as_asked_for() -> None:
    whole = drawn_fleet(PLAN, seed=5).table.num_rows
    fewer = drawn_fleet(FleetPlan(n_sites=30, n_areas=3, n_feeders=2, n_days=10, missing_share=0.3), seed=5)
    assert fewer.table.num_rows == pytest.approx(0.7 * whole, rel=0.15)


def test_clocks_are_mixed_as_asked_for() -> None:
    mix = ClockMix(off_share=0.2, drifting_share=0.1, ntp_share=0.3, zone_share=0.1)
    fleet = drawn_fleet(FleetPlan(n_sites=30, n_areas=3, n_feeders=2, n_days=10, clocks=mix), seed=5)
    assert np.bincount(fleet.clocks.kind, minlength=4).tolist() == [12, 9, 6, 3]
    assert (fleet.clocks.zone_s != 0).sum() == 3


def test_a_fleet_that_cannot_be_is_refused() -> None:
    with pytest.raises(ConfigError, match="site"):
        drawn_network(2, n_areas=3, n_feeders=1, seed=1)


def test_the_rows_are_events_as_a_catalogue_has_them() -> None:
    from halfcycle.pipeline.events import catalogue_table, events_of

    table = drawn_fleet(PLAN, seed=6).table
    events = events_of(table)
    assert all(event.reference_v > 0 and event.capture == "" and event.stages == 1 for event in events)
    assert sorted(catalogue_table(events).column("event_id").to_pylist()) == sorted(
        table.column("event_id").to_pylist()
    )
