"""The catalogues and verdicts of a store as one table, read by libraries that know nothing of it."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pyarrow.parquet as pq
import pytest
from made_fleet import events_in, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.run import run_nightly

pytestmark = pytest.mark.slow

SOURCE = "general libraries: pandas, pyarrow, DuckDB and Polars read partitioned folders by their own rules"
SITES = ["Mill Lane", "Öllwang Lock"]
SURVEY = '[survey]\ninterval_s = 1\nquantities = ["u_rms"]\nlimits = "en-50160-lv"\n'


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    made = loaded(write_fleet(tmp_path_factory.mktemp("fleet"), sites=SITES, extra=SURVEY))
    for site in SITES:
        for day in ("2026-03-01", "2026-03-02"):
            capture = made_capture(f"{day}T12:00:00", sags=[(0.5, 0.2, 0.5)])
            write_capture(capture, made.inbox / site / f"{day}.csv")
    run_nightly(made)
    return made


def test_pandas_and_pyarrow_read_the_folders(fleet: Fleet) -> None:
    expected = sorted((event.site, event.event_id) for event in events_in(fleet))
    assert len(expected) == 4
    table = pd.read_parquet(fleet.store / "catalogue")
    assert sorted(zip(table["site"], table["event_id"], strict=True)) == expected
    assert set(table["date"].astype(str)) == {"2026-03-01", "2026-03-02"}
    some = pd.read_parquet(fleet.store / "catalogue", filters=[("site", "==", SITES[1])])
    assert len(some) == 2
    assert pq.read_table(fleet.store / "catalogue").num_rows == 4
    verdicts = pd.concat(pd.read_parquet(path) for path in (fleet.store / "verdicts").rglob("verdicts.parquet"))
    assert set(verdicts["site"]) == set(SITES)


def test_duckdb_reads_the_folders(fleet: Fleet) -> None:
    duckdb = pytest.importorskip("duckdb")
    files = fleet.store / "catalogue" / "**" / "*.parquet"
    rows = duckdb.sql(f"select site, date, count(*) from read_parquet('{files}') group by all order by all").fetchall()
    assert rows == [(site, date(2026, 3, n), 1) for site in SITES for n in (1, 2)]


def test_polars_reads_the_folders(fleet: Fleet) -> None:
    polars = pytest.importorskip("polars")
    table = polars.read_parquet(fleet.store / "catalogue")
    assert sorted(table["site"].cast(polars.String).to_list()) == sorted(event.site for event in events_in(fleet))
