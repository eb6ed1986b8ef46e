"""What a fleet's own past says of where an incident began."""

from __future__ import annotations

import numpy as np
import pytest
from twins.twin_neighbourhood import learned

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.incidents.fleet import FleetIncidents, fleet_incidents
from halfcycle.pipeline.incidents.tables import incident_table
from halfcycle.pipeline.synthesis.fleet.drawn import FleetPlan, drawn_fleet
from incidents.made_incidents import DAY_S, sag, table_of


def past(n: int) -> list[Event]:
    """Faults at End, a day apart: Middle, on the way to it, falls two thirds as far; Beside hardly falls."""
    return [
        sag(site, DAY_S * k + 1000.0, low=low)
        for k in range(n)
        for site, low in (("End", 0.4), ("Middle", 0.6), ("Beside", 0.85))
    ]


def now(end: float, middle: float) -> list[Event]:
    return [sag("End", DAY_S * 20.5, low=end), sag("Middle", DAY_S * 20.5, low=middle)]


def last_row(events: list[Event]) -> dict[str, object]:
    table = table_of(events)
    row: dict[str, object] = incident_table(table, fleet_incidents(table)).to_pylist()[-1]
    return row


@pytest.mark.parametrize("n", [0, 1, 6])
def test_a_site_that_was_deeper_before_and_is_not_now_is_the_less_likely_the_more_often_it_was(n: int) -> None:
    # By hand: both equally deep; End was deeper n times and never as now: odds of 1 + n to 1 for Middle.
    row = last_row([*past(n), *now(0.5, 0.5)])
    assert row["origin_site" if n else "rival_site"] == "Middle"
    share = (1 + n) / (2 + n)
    assert row["origin_confidence"] == pytest.approx(0.95 * share, abs=1e-6)
    assert ("in the past it had the deeper sags" in str(row["why"])) == (n > 1)


def test_a_site_that_is_deeper_in_the_ratio_that_repeats_keeps_all_its_odds() -> None:
    # By hand: depths of 0.03 and 0.02 are in the ratio of the past; depth alone says exp(0.01 / 0.004) to 1.
    row = last_row([*past(6), *now(0.97, 0.98)])
    assert row["origin_site"] == "End"
    assert row["origin_confidence"] == pytest.approx(0.95 / (1 + np.exp(-0.01 / 0.004)), abs=1e-3)


def test_what_is_over_a_month_away_says_nothing() -> None:
    late = [sag(site, DAY_S * 60.5, low=0.5) for site in ("End", "Middle")]
    row = last_row([*past(6), *late])
    assert row["origin_confidence"] == pytest.approx(0.475)


def test_one_fault_reclosed_onto_is_no_past_of_itself() -> None:
    # By hand: the second shot ties, the first one does not; they are one incident, whose deepest voltages count.
    shots = [
        sag(site, 1000.0 + after, low=low)
        for after, lows in ((0.0, (0.5, 0.512)), (0.9, (0.5, 0.512)))
        for site, low in zip(("End", "Middle"), lows, strict=True)
    ]
    found = fleet_incidents(table_of(shots))
    assert found.n == 1
    assert not found.shares.learned.any()


@pytest.fixture(scope="module")
def drawn() -> FleetIncidents:
    plan = FleetPlan(n_sites=36, n_areas=3, n_feeders=2, n_days=40, missing_share=0.05)
    return fleet_incidents(drawn_fleet(plan, seed=12).table)


@pytest.mark.long
def test_odds_are_those_of_the_definition(drawn: FleetIncidents) -> None:
    s = drawn.sightings
    low = np.where(s.dead | np.isnan(s.low_pu), 0.0, np.maximum(s.low_pu, 0.001))
    names = [s.sites[i] for i in s.site.tolist()]
    rows = list(zip(s.start_ns.tolist(), names, low.tolist(), drawn.incident.tolist(), strict=True))
    expected = learned(rows)
    shares = drawn.shares
    found = {
        (incident, s.sites[site]): np.exp(odds)
        for incident, site, odds in zip(shares.incident.tolist(), shares.site.tolist(), shares.learned, strict=True)
        if odds < 0
    }
    assert len(expected) > 200
    assert found.keys() == expected.keys()
    assert [found[key] for key in expected] == pytest.approx(list(expected.values()), rel=1e-9)


@pytest.mark.slow
def test_the_past_is_never_surer_than_its_incidents(drawn: FleetIncidents) -> None:
    # Derived: at most 1 / (1 + times), and a site leads at most as often as there are shots.
    shots = np.bincount(drawn.sightings.site).max()
    assert drawn.shares.learned.max() <= 0
    assert drawn.shares.learned.min() >= -np.log(1 + shots)


@pytest.mark.slow
def test_the_true_site_comes_first_more_often_with_the_past_than_without() -> None:
    # The truth is the generator's.
    fleet = drawn_fleet(FleetPlan(n_sites=60, n_areas=3, n_feeders=2, n_days=50), seed=13)
    found = fleet_incidents(fleet.table)
    from dataclasses import replace

    from halfcycle.pipeline.incidents.origin import origins

    at = {int(c): fleet.network.names[int(a)] for c, a in zip(fleet.faults.cause, fleet.faults.at, strict=True)}
    cause = np.zeros(found.n, dtype=int)
    cause[found.incident[found.of_row]] = fleet.cause
    held = [i for i in np.flatnonzero(np.bincount(found.shares.incident) > 1) if int(cause[i]) in at]
    true = np.array([found.sightings.sites.index(at[int(cause[i])]) for i in held])
    without = origins(replace(found.shares, learned=np.zeros(len(found.shares.site))), found.n)
    with_past, alone = (np.mean(ranked.site[held, 0] == true) for ranked in (found.origins, without))
    assert with_past >= alone + 0.03
