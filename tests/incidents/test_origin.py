"""Where incidents began, with and without a topology."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.incidents.fleet import fleet_incidents
from halfcycle.pipeline.incidents.tables import incident_table
from halfcycle.pipeline.incidents.topology import load_topology
from halfcycle.pipeline.synthesis.fleet.drawn import FleetPlan, drawn_fleet
from incidents.made_incidents import sag, table_of

TOPOLOGY = """
[[sites]]
site = "Head"
group = "line 1"
[[sites]]
site = "Middle"
fed_by = "Head"
group = "line 1"
[[sites]]
site = "End"
fed_by = "Middle"
group = "line 1"
[[sites]]
site = "Beside"
fed_by = "Head"
group = "line 2"
"""


def side(way: str, sure: float = 0.9) -> dict[str, object]:
    return {"direction": way, "direction_confidence": sure}


def only_row(events: list, topology: Path | None = None) -> dict:  # type: ignore[type-arg]
    table = table_of(events)
    found = fleet_incidents(table, topology=None if topology is None else load_topology(topology))
    (row,) = incident_table(table, found).to_pylist()
    return row


def test_the_deepest_site_comes_first_with_its_rival_and_why() -> None:
    row = only_row([sag("Head", 5.0, low=0.7), sag("End", 5.0, low=0.3), sag("Beside", 5.0, low=0.72)])
    assert row["origin_site"] == "End"
    assert row["rival_site"] == "Head"
    assert 0.9 < row["origin_confidence"] <= 0.95
    assert row["why"] == "End: down to 0.300 pu; Head: down to 0.700 pu"


def test_of_sites_that_are_equally_deep_the_one_whose_currents_say_downstream_comes_first() -> None:
    events = [sag("Middle", 5.0, low=0.4, **side("downstream")), sag("End", 5.0, low=0.4, **side("upstream"))]
    row = only_row(events)
    assert row["origin_site"] == "Middle"
    assert row["origin_confidence"] == pytest.approx(0.95 * 81 / 82, abs=1e-3)  # odds of 9 twice, and 5 % elsewhere


def test_of_two_bolted_faults_near_sites_the_deeper_comes_first_and_what_breakers_switched_off_does_not() -> None:
    # By hand: residual voltages of a few per cent while the fault lasts are how near it is; an interruption is not.
    off = replace(sag("Beside", 5.0, low=0.01, length_s=20.0), kind="interruption")
    row = only_row([sag("Middle", 5.0, low=0.08), sag("End", 5.0, low=0.02), off, sag("Beside", 5.0, low=0.5)])
    assert row["origin_site"] == "End"
    assert row["rival_site"] == "Middle"
    assert row["why"] == "End: down to 0.020 pu; Middle: down to 0.080 pu"


def test_an_unknown_side_counts_for_nothing() -> None:
    events = [sag("Middle", 5.0, low=0.4, direction="unknown"), sag("End", 5.0, low=0.4)]
    row = only_row(events)
    assert row["origin_confidence"] == pytest.approx(0.475)
    assert row["rival_confidence"] == pytest.approx(0.475)


def test_a_topology_makes_votes_of_other_sites_count(tmp_path: Path) -> None:
    # Head and Middle say downstream, so the fault is at Middle or behind it; End, as deep, says upstream.
    path = tmp_path / "net.toml"
    path.write_text(TOPOLOGY)
    events = [
        sag("Head", 5.0, low=0.6, **side("downstream")), sag("Middle", 5.0, low=0.4),
        sag("End", 5.0, low=0.4, **side("upstream")), sag("Beside", 5.0, low=0.6, **side("upstream")),
    ]  # fmt: skip
    row = only_row(events, path)
    assert row["origin_site"] == "Middle"
    assert row["origin_confidence"] == pytest.approx(0.95 * 0.9, abs=0.01)
    assert row["origin_group"] == "line 1"
    assert row["origin_group_confidence"] == pytest.approx(0.95, abs=0.01)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("[[sites]]\nsite = 'A'\n[[sites]]\nsite = 'A'\n", "twice"),
        ("[[sites]]\nsite = 'A'\nfed_by = 'B'\n[[sites]]\nsite = 'B'\nfed_by = 'A'\n", "loop"),
        ("[[sites]]\nsite = 'A'\nfeeds = 'B'\n", "unknown key"),
        ("", "sites"),
        ("[[", "not valid TOML"),
    ],
)
def test_a_topology_that_cannot_be_is_refused_in_words(text: str, word: str, tmp_path: Path) -> None:
    path = tmp_path / "net.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match=word):
        load_topology(path)


def test_true_area_is_among_the_first_three_of_a_drawn_fleet() -> None:
    plan = FleetPlan(n_sites=80, n_areas=4, n_feeders=3, n_days=20)
    fleet = drawn_fleet(plan, seed=6)
    found = fleet_incidents(fleet.table)
    area = dict(zip(fleet.network.names, fleet.network.area.tolist(), strict=True))
    at = {int(c): int(a) for c, a in zip(fleet.faults.cause, fleet.faults.at, strict=True)}
    cause = np.zeros(found.n, dtype=int)
    cause[found.incident[found.of_row]] = fleet.cause
    seen = np.bincount(found.shares.incident)
    hits = [
        int(fleet.network.area[at[int(cause[i])]])
        in {area[found.sightings.sites[s]] for s in found.origins.site[i, :3] if s >= 0}
        for i in range(found.n)
        if seen[i] > 1 and int(cause[i]) in at
    ]
    assert len(hits) > 100
    assert np.mean(hits) >= 0.95
