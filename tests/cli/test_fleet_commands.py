"""`halfcycle ingest` and `catalogue`: what they do, print and write. `nightly` and `demo` are tested with the flows."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from made_fleet import SITE, catalogue_bytes, halfcycle, loaded, made_capture, names, write_capture, write_fleet

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.events import catalogue_schema

pytestmark = pytest.mark.slow

DAYS = ("2026-03-01", "2026-03-02", "2026-03-03")


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    """Two sites with a sag at noon of each of three days, ingested."""
    fleet = loaded(write_fleet(tmp_path / "fleet", sites=(SITE, "Weir")))
    for i, day in enumerate(DAYS):
        for site in (SITE, "Weir"):
            capture = made_capture(f"{day}T12:00:00", sags=[(0.5, 0.2, 0.5 + i / 10)], seed=i)
            write_capture(capture, fleet.inbox / site / f"{i}.csv")
    assert halfcycle("ingest", "--config", config_of(fleet)).returncode == 0
    return fleet


def config_of(fleet: Fleet) -> Path:
    return fleet.inbox.parent / "fleet.toml"


def starts(path: Path) -> list[tuple[str, str]]:
    """(site, day) of each event in a CSV catalogue."""
    with path.open(encoding="utf-8", newline="") as stream:
        return [(row["site"], row["start"][:10]) for row in csv.DictReader(stream)]


def test_ingest_stores_captures_and_makes_no_catalogue(fleet: Fleet) -> None:
    assert len(names(fleet.store / "waveforms")) == 6
    assert not (fleet.store / "catalogue").exists()
    again = halfcycle("ingest", "--config", config_of(fleet))
    assert (again.returncode, again.stdout) == (0, "nothing new in the inbox\n")


@pytest.mark.long
def test_catalogue_builds_stale_days_prints_tables_and_writes_the_events(fleet: Fleet, tmp_path: Path) -> None:
    out = tmp_path / "deep" / "e.csv"
    done = halfcycle("catalogue", "--config", config_of(fleet), "--out", out)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "6 days rebuilt, 6 days chosen" in done.stdout
    assert f"catalogue: {out}" in done.stdout
    assert "0.500 pu" in done.stdout
    assert starts(out) == [(site, day) for day in DAYS for site in (SITE, "Weir")]
    again = halfcycle("catalogue", "--config", config_of(fleet))
    assert "0 days rebuilt, 6 days chosen" in again.stdout


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (["--site", "Weir"], [("Weir", day) for day in DAYS]),
        (["--site", "Weir", "--site", SITE, "--from", DAYS[2]], [(SITE, DAYS[2]), ("Weir", DAYS[2])]),
        (["--from", DAYS[1], "--to", DAYS[1]], [(SITE, DAYS[1]), ("Weir", DAYS[1])]),
        (["--to", DAYS[0], "--site", SITE], [(SITE, DAYS[0])]),
        (["--from", "2027-01-01"], []),
    ],
)
def test_only_the_chosen_sites_and_days_are_brought_up_to_date_and_written(
    fleet: Fleet, tmp_path: Path, options: list[str], expected: list[tuple[str, str]]
) -> None:
    done = halfcycle("catalogue", "--config", config_of(fleet), "--out", tmp_path / "e.csv", *options)
    assert done.returncode == 0, done.stderr
    assert starts(tmp_path / "e.csv") == expected
    assert len(catalogue_bytes(fleet.store)) == len(expected)


@pytest.mark.long
def test_the_three_formats_hold_the_same_events(fleet: Fleet, tmp_path: Path) -> None:
    for ending in (".parquet", ".csv", ".ndjson"):
        assert halfcycle("catalogue", "--config", config_of(fleet), "--out", tmp_path / f"e{ending}").returncode == 0
    table = pq.read_table(tmp_path / "e.parquet")
    assert table.schema == catalogue_schema()
    ids = table.column("event_id").to_pylist()
    with (tmp_path / "e.csv").open(encoding="utf-8", newline="") as stream:
        assert [row["event_id"] for row in csv.DictReader(stream)] == ids
    lines = (tmp_path / "e.ndjson").read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["event_id"] for line in lines] == ids


def test_worst_limits_what_is_printed_and_not_what_is_written(fleet: Fleet, tmp_path: Path) -> None:
    few = halfcycle("catalogue", "--config", config_of(fleet), "--worst", "1", "--out", tmp_path / "e.csv")
    many = halfcycle("catalogue", "--config", config_of(fleet), "--worst", "6")
    assert few.stdout.count("2026-03-0") == 1
    assert many.stdout.count("2026-03-0") == 6
    assert len(starts(tmp_path / "e.csv")) == 6


@pytest.mark.long
def test_rebuild_makes_the_chosen_days_anew(fleet: Fleet) -> None:
    halfcycle("catalogue", "--config", config_of(fleet))
    before = catalogue_bytes(fleet.store)
    done = halfcycle("catalogue", "--config", config_of(fleet), "--rebuild", "--site", SITE)
    assert "3 days rebuilt, 3 days chosen" in done.stdout
    assert catalogue_bytes(fleet.store) == before
