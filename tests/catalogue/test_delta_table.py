"""A catalogue in a Delta table: read back as it is, each day once whatever is brought again."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from made_fleet import SITE, catalogue_bytes, drop, events_in, halfcycle, loaded, with_sag, write_fleet
from made_places import addresses

from halfcycle.pipeline.catalogue.delta_table import Replaced, replace_days
from halfcycle.pipeline.catalogue.reading import read_table
from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.nightly.run import run_nightly

SOURCE = "Delta transaction log protocol, read by the library deltalake; a table asked by DuckDB"
deltalake = pytest.importorskip("deltalake")
pytestmark = pytest.mark.slow


@pytest.fixture
def config(tmp_path: Path) -> Path:
    config = write_fleet(tmp_path / "fleet", sites=(SITE, "Miller's Weir"))
    fleet = loaded(config)
    for day in (1, 2, 3):
        drop(fleet, with_sag(f"2026-03-0{day}", seed=day), f"{day}.csv")
    (fleet.inbox / SITE / "3.csv").rename(fleet.inbox / "3.csv")
    (fleet.inbox / "Miller's Weir").mkdir()
    (fleet.inbox / "3.csv").rename(fleet.inbox / "Miller's Weir" / "3.csv")
    run_nightly(fleet)
    return config


def exported(config: Path, where: Path | str, *words: str) -> str:
    done = halfcycle("catalogue", "--config", config, "--delta", str(where), *words, env=dict(os.environ))
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()[-1].removeprefix(f"Delta table: {where}: ")


def asked(where: Path | str, question: str) -> list[Any]:
    """What DuckDB answers of a Delta table, which it knows as ``events``."""
    import duckdb

    options = {"AWS_ALLOW_HTTP": "true"} if str(where).startswith("s3://") else None
    with duckdb.connect() as db:
        db.register("events", deltalake.DeltaTable(str(where), storage_options=options).to_pyarrow_table())
        return db.sql(question).fetchall()


def test_events_are_read_back_as_the_catalogue_has_them(config: Path, tmp_path: Path) -> None:
    # SOURCE.
    where = tmp_path / "events"
    assert exported(config, where, "--out", str(tmp_path / "all.parquet")) == "3 days replaced, with 3 events"
    events = events_in(loaded(config))
    rows = asked(where, "select event_id, site, date, start_ns, magnitude, kind from events order by start_ns")
    assert rows == [
        (one.event_id, one.site, date(2026, 3, 1 + i), one.start, one.magnitude, one.kind)
        for i, one in enumerate(sorted(events, key=lambda one: one.start))
    ]
    catalogue = read_table(tmp_path / "all.parquet")
    held = deltalake.DeltaTable(str(where)).to_pyarrow_table()
    assert set(held.column_names) - set(catalogue.column_names) == {"date", "start_ns", "refined_start_ns"}
    assert set(catalogue.column_names) <= set(held.column_names)


def test_what_is_brought_again_is_there_once(config: Path, tmp_path: Path) -> None:
    # SOURCE: nothing new writes nothing; of a day that changed the new rows are there, and those alone.
    where = tmp_path / "events"
    exported(config, where)
    assert exported(config, where) == "unchanged"
    assert deltalake.DeltaTable(str(where)).version() == 0
    fleet = loaded(config)
    drop(fleet, with_sag("2026-03-02", clock="15:00:00", seed=9), "late.csv")
    run_nightly(fleet)
    assert exported(config, where) == "1 day replaced, with 2 events"
    assert asked(where, "select date, count(*), count(distinct event_id) from events group by all order by all") == [
        (date(2026, 3, 1), 1, 1), (date(2026, 3, 2), 2, 2), (date(2026, 3, 3), 1, 1),
    ]  # fmt: skip


def test_only_days_that_were_chosen_are_touched(config: Path, tmp_path: Path) -> None:
    where = tmp_path / "events"
    assert exported(config, where, "--from", "2026-03-02", "--to", "2026-03-02") == "1 day replaced, with 1 event"
    assert exported(config, where, "--site", "Miller's Weir") == "1 day replaced, with 1 event"
    assert asked(where, "select site, date from events order by all") == [
        ("Miller's Weir", date(2026, 3, 3)), (SITE, date(2026, 3, 2)),
    ]  # fmt: skip
    assert exported(config, where) == "1 day replaced, with 1 event"
    assert len(asked(where, "from events")) == 3


@pytest.mark.long
def test_rows_and_columns_follow_the_settings(config: Path, tmp_path: Path) -> None:
    # With thresholds below the sags no event is left; with uncertainties there are further columns.
    where = tmp_path / "events"
    exported(config, where)
    text = config.read_text()
    config.write_text(f'uncertainty = "standard"\n{text}')
    assert exported(config, where) == "3 days replaced, with 3 events"
    assert asked(where, "select count(*) from events where magnitude_u > 0") == [(3,)]
    config.write_text(f"{text}\n[thresholds.deep]\nsag_pu = 0.3\nswell_pu = 1.1\ninterruption_pu = 0.1\n")
    config.write_text(config.read_text().replace("nominal_frequency_hz", 'thresholds = "deep"\nnominal_frequency_hz'))
    assert exported(config, where) == "3 days replaced, with 0 events"
    assert asked(where, "from events") == []


def test_a_day_that_cannot_be_read_keeps_what_the_table_has(config: Path, tmp_path: Path) -> None:
    where = tmp_path / "events"
    exported(config, where)
    catalogue = read_table(next((loaded(config).store / "catalogue").glob("site=Quarry*/date=2026-03-01/*.parquet")))
    nothing = catalogue.slice(0, 0)
    assert replace_days(nothing, str(where), is_chosen=lambda site, day: day != date(2026, 3, 1)) == Replaced(2, 0)
    assert asked(where, "select date from events") == [(date(2026, 3, 1),)]


@pytest.mark.long
def test_a_table_at_an_address(config: Path, tmp_path: Path) -> None:
    pytest.importorskip("s3fs")
    with addresses("s3", tmp_path) as new:
        where = new()
        assert exported(config, where) == "3 days replaced, with 3 events"
        assert exported(config, where) == "unchanged"
        assert len(asked(where, "from events")) == 3


@pytest.mark.parametrize("spoil", ["other", "damaged", "file"])
def test_a_table_that_is_none_of_ours_is_told(config: Path, tmp_path: Path, spoil: str) -> None:
    where = tmp_path / "events"
    spoilers: dict[str, Callable[[], object]] = {
        "other": lambda: deltalake.write_deltalake(str(where), read_table_of_others()),
        "damaged": lambda: [exported(config, where), next((where / "_delta_log").glob("*.json")).write_text("{")],
        "file": lambda: where.write_text("no table"),
    }
    spoilers[spoil]()
    before = catalogue_bytes(loaded(config).store)
    done = halfcycle("catalogue", "--config", config, "--delta", where)
    assert done.returncode == 1
    assert done.stderr.startswith(f"{where}: ")
    assert done.stderr.count("\n") == 1
    assert catalogue_bytes(loaded(config).store) == before
    with pytest.raises(StoreError):
        replace_days(read_table_of_catalogue(config), str(where), is_chosen=lambda site, day: True)


def read_table_of_others() -> Any:
    import pyarrow as pa

    return pa.table({"x": [1, 2]})


def read_table_of_catalogue(config: Path) -> Any:
    return read_table(next((loaded(config).store / "catalogue").rglob("events.parquet")))
