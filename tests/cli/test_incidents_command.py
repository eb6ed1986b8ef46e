"""`halfcycle incidents`: what it prints and writes."""

from __future__ import annotations

import csv
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from incidents.made_incidents import sag, table_of
from made_fleet import halfcycle, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.nightly.run import run_nightly


@pytest.fixture
def catalogue(tmp_path: Path) -> Path:
    """Three sites, one of them 1.25 s ahead, at five sags."""
    times = [1000.0 + 30_000 * k for k in range(5)]
    events = [
        sag(site, t + ahead, low=low)
        for site, ahead, low in (("Abbey", 0, 0.5), ("Brook", 0, 0.6), ("Wharf", 1.25, 0.4))
        for t in times
    ]
    write_table(table_of(events), tmp_path / "events.csv")
    return tmp_path / "events.csv"


def test_incidents_are_printed_and_all_tables_written(catalogue: Path, tmp_path: Path) -> None:
    topology = tmp_path / "net.toml"
    topology.write_text('[[sites]]\nsite = "Wharf"\nfed_by = "Brook"\ngroup = "quay line"\n')
    out, events, clocks = tmp_path / "i.csv", tmp_path / "e.parquet", tmp_path / "c.csv"
    done = halfcycle(
        "incidents", catalogue, "--out", out, "--events", events, "--clocks", clocks, "--topology", topology
    )
    assert done.returncode == 0, done.stderr
    assert "5 of 5 incidents, 5 of them seen by several sites" in done.stdout
    assert "1.250 s ahead" in done.stdout
    with out.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["origin_site"] for row in rows] == ["Wharf"] * 5
    assert {row["origin_group"] for row in rows} == {"quay line"}
    written = pq.read_table(events)
    assert len(set(written.column("incident_id").to_pylist())) == 5
    assert "corrected_start" in written.column_names
    with clocks.open(encoding="utf-8", newline="") as stream:
        assert {row["site"] for row in csv.DictReader(stream)} == {"Abbey", "Brook", "Wharf"}


def test_most_says_how_many_are_printed(catalogue: Path) -> None:
    assert "2 of 5 incidents" in halfcycle("incidents", catalogue, "--most", "2").stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "name a catalogue, or a fleet"),
        (("missing.parquet",), "no such catalogue"),
        (("{catalogue}", "--out", "i.xlsx"), "extension"),
        (("{catalogue}", "--topology", "missing.toml"), "missing.toml"),
    ],
)
def test_wrong_usage_is_told_in_one_sentence(words: tuple[str, ...], said: str, catalogue: Path) -> None:
    done = halfcycle("incidents", *(word.format(catalogue=catalogue) for word in words))
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_fleet_is_read_from_its_store(tmp_path: Path) -> None:
    config = write_fleet(tmp_path, sites=("Quarry Road", "Ferry Lane"))
    for site in ("Quarry Road", "Ferry Lane"):
        capture = made_capture("2026-03-01T12:00:00", seconds=2, sags=[(0.5, 0.2, 0.5)])
        write_capture(capture, tmp_path / "inbox" / site / "a.csv")
    run_nightly(loaded(config))
    done = halfcycle("incidents", "--config", config)
    assert done.returncode == 0, done.stderr
    assert "1 of 1 incidents, 1 of them seen by several sites" in done.stdout


@pytest.mark.slow
def test_waveforms_are_recalled_and_laid_over_one_another(tmp_path: Path) -> None:
    for site, low in (("north", 0.5), ("south", 0.7)):
        capture = made_capture("2026-03-01T12:00:00", seconds=2, sags=[(0.5, 0.2, low)], station=site)
        write_capture(capture, tmp_path / "in" / f"{site}.csv")
    catalogue = tmp_path / "e.parquet"
    halfcycle("screen", tmp_path / "in", "--out", catalogue, "--nominal-voltage", "230")
    done = halfcycle("incidents", catalogue, "--waveforms", "3", "--files", tmp_path / "in")
    assert done.returncode == 0, done.stderr
    assert "overlaid waveforms" in done.stdout
    assert "one disturbance" in done.stdout
    gone = halfcycle("incidents", catalogue, "--waveforms", "1", "--files", tmp_path / "nowhere")
    assert gone.returncode == 2
    assert "no such folder" in gone.stderr
